#include "head_meter.hpp"

#include <utility>

#include "field_text.hpp"
#include "register_lines.hpp"

namespace nightwatt::sim {
namespace {

constexpr char stx = 0x02;
constexpr char etx = 0x03;
constexpr char ack = 0x06;
constexpr char nak = 0x15;
constexpr std::size_t line_limit = 64;

/// ISO 1155, as IEC 62056-21, 6.3 has it: the exclusive or of all behind STX, ETX included.
char check_of(std::string_view behind_stx) {
  unsigned sum = 0;
  for (const char c : behind_stx) sum ^= static_cast<unsigned char>(c);
  return static_cast<char>(sum);
}

std::string data_lines(const MeterProfile& profile, const Model& model, double at_s, Fate fate,
                       std::vector<std::pair<Quantity, std::string>>& values) {
  const std::string registers = register_lines(profile, model, at_s, {.medium = false, .tariffs = false}, values);
  if (fate == Fate::exception) return "(ER01)";
  return "0.0.0(00SKERRY1)\r\nF.F(00)\r\n" + registers + "1.8.0*01(000000.0*kWh)\r\n!\r\n";
}

std::vector<std::byte> line_bytes(const MeterProfile& profile, std::string_view text) {
  return profile.line.data_bits == 7 ? with_even_parity(text) : to_bytes(text);
}

}  // namespace

HeadMeter::HeadMeter(const MeterProfile& profile, Script script, std::uint64_t seed)
    : profile_(profile),
      head_(*profile.protocol.find<Iec62056Settings>()),
      model_(std::move(script), seed),
      faults_(model_.script(), seed) {}

std::optional<double> HeadMeter::next_s() const {
  return faults_.next_noise_s();
}

void HeadMeter::advance(double at_s, std::vector<Chunk>& out) {
  for (auto& burst : faults_.noise_until(at_s)) out.push_back({std::move(burst), std::nullopt});
}

void HeadMeter::plugged(double at_s, std::vector<Chunk>&) {
  pending_.clear();
  awaits_ = Awaits::request;
  (void)faults_.noise_until(at_s);
}

void HeadMeter::receive(std::span<const std::byte> bytes, double at_s, std::vector<Chunk>& out) {
  advance(at_s, out);
  for (const std::byte byte : bytes) {
    const char c = static_cast<char>(std::to_integer<unsigned>(byte) & 0x7FU);
    if (c == nak) {
      if (awaits_ == Awaits::repetition) out.push_back(block(at_s));
      awaits_ = Awaits::request;
    } else if (c == '\n') {
      handle(std::exchange(pending_, {}), at_s, out);
    } else if (c != '\r' && c != '\0' && pending_.size() < line_limit) {
      if (c == '/' || c == ack) pending_.clear();
      pending_ += c;
    }
  }
}

void HeadMeter::handle(const std::string& line, double at_s, std::vector<Chunk>& out) {
  if (line.starts_with("/?")) {
    if (line != "/?!" && line != "/?" + head_.address + "!") return;
    // The fourth letter tells the speed: none, E = 9600, 5 = 9600.
    const char sign = head_.mode == Iec62056Mode::a ? 'X' : head_.mode == Iec62056Mode::b ? 'E' : '5';
    say(std::string("/SKP") + sign + "SKERRY-METER\r\n", out);
    if (head_.mode == Iec62056Mode::c) {
      awaits_ = Awaits::acknowledgement;
      return;
    }
  } else if (awaits_ != Awaits::acknowledgement || line.size() != 4 || line[0] != ack) {
    return;
  }
  out.push_back(block(at_s));
  awaits_ = Awaits::repetition;
}

void HeadMeter::say(std::string_view text, std::vector<Chunk>& out) const {
  out.push_back({line_bytes(profile_, text), std::nullopt});
}

Chunk HeadMeter::block(double at_s) {
  const Faults::Verdict verdict = faults_.next_frame(at_s);
  Sent sent{at_s, verdict.fate, {}};
  std::string text = stx + data_lines(profile_, model_, at_s, verdict.fate, sent.values) + etx;
  text += static_cast<char>(check_of(std::string_view(text).substr(1)) ^ (verdict.fate == Fate::checksum ? 4 : 0));
  if (verdict.fate == Fate::silent) text.clear();
  if (verdict.fate == Fate::cut) text.resize(text.size() / 2);
  if (verdict.fate == Fate::twice) text += text;
  return {line_bytes(profile_, text), std::move(sent)};
}

PushingHead::PushingHead(const MeterProfile& profile, Script script, std::uint64_t seed)
    : PushingMeter(profile, std::move(script), seed) {}

std::string PushingHead::frame(double at_s, std::uint64_t, Fate fate, SentValues& values) const {
  return "/SKP3SKERRY-METER\r\n\r\n" + data_lines(profile(), model(), at_s, fate, values);
}

std::vector<std::byte> PushingHead::on_line(std::string_view text) const {
  return line_bytes(profile(), text);
}

}  // namespace nightwatt::sim
