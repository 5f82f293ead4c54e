#include "scpi_instrument.hpp"

#include <algorithm>

#include "field_text.hpp"

namespace nightwatt::sim {
namespace {

constexpr std::size_t line_limit = 1024;
constexpr std::size_t error_limit = 20;  // SCPI-99 wants at least two

std::string upper(std::string text) {
  std::transform(text.begin(), text.end(), text.begin(),
                 [](char c) { return c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c; });
  return text;
}

Chunk line_chunk(const std::string& line) {
  return {to_bytes(line + "\r\n"), std::nullopt};
}

}  // namespace

ScpiInstrument::ScpiInstrument(const MeterProfile& profile, Script script, std::uint64_t seed)
    : profile_(profile), model_(std::move(script), seed), faults_(model_.script(), seed) {}

void ScpiInstrument::advance(double at_s, std::vector<Chunk>& out) {
  for (auto& burst : faults_.noise_until(at_s)) out.push_back({std::move(burst), std::nullopt});
}

void ScpiInstrument::plugged(double at_s, std::vector<Chunk>&) {
  pending_.clear();
  (void)faults_.noise_until(at_s);
}

void ScpiInstrument::receive(std::span<const std::byte> bytes, double at_s, std::vector<Chunk>& out) {
  advance(at_s, out);
  for (const std::byte byte : bytes) {
    const char c = static_cast<char>(byte);
    if (c == '\n') {
      handle(std::exchange(pending_, {}), at_s, out);
    } else if (c != '\r' && pending_.size() < line_limit) {
      pending_ += c;
    }
  }
}

void ScpiInstrument::add_error(int number, std::string_view text) {
  if (errors_.size() < error_limit) errors_.push_back(std::to_string(number) + ",\"" + std::string(text) + "\"");
}

void ScpiInstrument::handle(const std::string& line, double at_s, std::vector<Chunk>& out) {
  const std::string header = upper(line);
  if (header.empty()) return;
  if (header == "*CLS") return errors_.clear();
  if (header == "*IDN?") return out.push_back(line_chunk("SKERRY POINT,BENCH WATTMETER,0,1.0"));
  if (header == "SYST:ERR?" || header == "SYSTEM:ERROR?") {
    out.push_back(line_chunk(errors_.empty() ? "0,\"No error\"" : errors_.front()));
    if (!errors_.empty()) errors_.pop_front();
    return;
  }
  const auto& reads = profile_.reads;
  const auto* scpi = profile_.protocol.find<ScpiSettings>();
  const bool is_setup = std::find(scpi->setup.begin(), scpi->setup.end(), line) != scpi->setup.end();
  const bool known =
      std::any_of(reads.begin(), reads.end(), [&](const ReadSpec& read) { return upper(read.query) == header; });
  if (!known) {
    if (!is_setup) add_error(-113, "Undefined header");
    return;
  }
  const Faults::Verdict verdict = faults_.next_frame(at_s);
  Chunk chunk{{}, Sent{at_s, verdict.fate, {}}};
  std::string text = answer(header, at_s, chunk.sent->values) + "\r\n";
  if (verdict.fate == Fate::exception) add_error(-200, "Execution error");
  if (verdict.fate == Fate::silent || verdict.fate == Fate::exception) text.clear();
  if (verdict.fate == Fate::cut) text.resize(text.size() / 2);
  if (verdict.fate == Fate::twice) text += text;
  chunk.bytes = to_bytes(text);
  out.push_back(std::move(chunk));
}

std::string ScpiInstrument::answer(const std::string& query, double at_s,
                                   std::vector<std::pair<Quantity, std::string>>& values) const {
  std::vector<std::string> fields;
  for (const ReadSpec& read : profile_.reads) {
    if (upper(read.query) != query) continue;
    const FieldText field = to_field(read, model_.measured(read.quantity, at_s), model_.script());
    values.emplace_back(read.quantity, field.text);
    fields.resize(std::max(fields.size(), static_cast<std::size_t>(read.column)), "0");
    fields[static_cast<std::size_t>(read.column) - 1] = (field.raw[0] == '-' ? "" : "+") + field.raw;
  }
  std::string line;
  for (const std::string& field : fields) line += (line.empty() ? "" : ",") + field;
  return line;
}

}  // namespace nightwatt::sim
