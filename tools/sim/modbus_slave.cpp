#include "modbus_slave.hpp"

#include <algorithm>

#include "drivers/modbus/settings.hpp"
#include "drivers/sunspec/settings.hpp"
#include "registers.hpp"

namespace nightwatt::sim {
namespace {

constexpr std::size_t request_bytes = 8;       // unit, function, first, count, CRC: functions 1 to 6
constexpr std::size_t pending_limit = 512;     // twice the longest frame: what lies further back is no request
constexpr std::uint16_t most_registers = 125;  // V1.1b3 6.3 and 6.4
enum Exception : std::uint8_t { illegal_function = 1, illegal_data_address = 2, illegal_data_value = 3 };

// Serial Line V1.02 section 6.2.2: reflected polynomial A001, start FFFF, low byte sent first. Bit by bit on purpose:
// nothing here is shared with the decoders.
std::uint16_t frame_check(std::span<const std::uint8_t> bytes) {
  unsigned check = 0xFFFF;
  for (const std::uint8_t byte : bytes) {
    check ^= byte;
    for (int bit = 0; bit < 8; ++bit) check = (check & 1U) != 0 ? (check >> 1) ^ 0xA001U : check >> 1;
  }
  return static_cast<std::uint16_t>(check);
}

bool check_is_right(std::span<const std::uint8_t> frame) {
  const std::uint16_t check = frame_check(frame.first(frame.size() - 2));
  return frame[frame.size() - 2] == (check & 0xFF) && frame[frame.size() - 1] == (check >> 8);
}

std::uint16_t word_at(std::span<const std::uint8_t> bytes, std::size_t at) {
  return static_cast<std::uint16_t>((bytes[at] << 8) | bytes[at + 1]);
}

std::uint8_t unit_of(const MeterProfile& profile) {
  if (const auto* sunspec = profile.protocol.find<SunSpecSettings>()) return static_cast<std::uint8_t>(sunspec->unit);
  const auto* tcp = profile.protocol.find<ModbusTcpSettings>();
  return static_cast<std::uint8_t>(tcp != nullptr ? tcp->unit : profile.protocol.find<ModbusRtuSettings>()->unit);
}

std::vector<std::uint8_t> refusal(std::uint8_t function, std::uint8_t code) {
  return {static_cast<std::uint8_t>(function | 0x80), code};
}

}  // namespace

ModbusSlave::ModbusSlave(const MeterProfile& profile, Script script, std::uint64_t seed)
    : profile_(profile),
      unit_(unit_of(profile)),
      tcp_(profile.protocol.find<ModbusTcpSettings>() != nullptr),
      model_(std::move(script), seed),
      faults_(model_.script(), seed) {}

std::vector<std::uint8_t> ModbusSlave::refused(std::uint8_t function) {
  return refusal(function, illegal_data_address);
}

void ModbusSlave::receive(std::span<const std::byte> bytes, double at_s, std::vector<Chunk>& out) {
  advance(at_s, out);
  for (const std::byte byte : bytes) {
    pending_.push_back(static_cast<std::uint8_t>(byte));
    if (pending_.size() > pending_limit) pending_.erase(pending_.begin(), pending_.end() - request_bytes);
    if (tcp_) {
      std::vector<std::uint8_t> request;
      if (take_tcp_request(request)) handle(request, at_s, out);
      continue;
    }
    if (pending_.size() < request_bytes) continue;
    // The last eight bytes are a request when their check value says so, whatever noise came before.
    const std::span<const std::uint8_t> last(pending_.data() + pending_.size() - request_bytes, request_bytes);
    if (!check_is_right(last)) continue;
    const std::vector<std::uint8_t> request(last.begin(), last.end());
    pending_.clear();
    handle(request, at_s, out);
  }
}

// Transaction, protocol 0, length 6, then what an RTU request has in front of its check.
bool ModbusSlave::take_tcp_request(std::vector<std::uint8_t>& request) {
  constexpr std::size_t header = 6;
  constexpr std::size_t body = request_bytes - 2;
  if (pending_.size() < header + body) return false;
  const std::span<const std::uint8_t> last(pending_.data() + pending_.size() - header - body, header + body);
  if (word_at(last, 2) != 0 || word_at(last, 4) != body) return false;
  transaction_ = {last[0], last[1]};
  request.assign(last.begin() + header, last.end());
  pending_.clear();
  return true;
}

void ModbusSlave::handle(std::span<const std::uint8_t> request, double at_s, std::vector<Chunk>& out) {
  if (request[0] != unit_) return;  // another unit's, or a broadcast: no answer
  const std::uint8_t function = request[1];
  if (function != 3 && function != 4) return emit({refusal(function, illegal_function), {}}, function, at_s, out);
  const std::uint16_t count = word_at(request, 4);
  if (count == 0 || count > most_registers)
    return emit({refusal(function, illegal_data_value), {}}, function, at_s, out);
  emit(read_registers(function, word_at(request, 2), count, at_s), function, at_s, out);
}

ModbusSlave::Answer ModbusSlave::read_registers(std::uint8_t function, std::uint16_t first, std::uint16_t count,
                                                double at_s) const {
  std::vector<std::optional<std::uint8_t>> data(2 * std::size_t{count});
  Answer answer;
  for (const ReadSpec& read : profile_.reads) {
    if (read.function != function) continue;
    const int offset = static_cast<int>(read.register_address) - static_cast<int>(first);
    const int words = registers_taken(read.type);
    if (offset + words <= 0 || offset >= static_cast<int>(count)) continue;
    const RegisterImage image = to_registers(read, model_.measured(read.quantity, at_s), model_.script());
    for (int i = 0; i < 2 * words; ++i) {
      const int at = 2 * offset + i;
      if (at >= 0 && at < static_cast<int>(data.size()))
        data[static_cast<std::size_t>(at)] = image.bytes[static_cast<std::size_t>(i)];
    }
    if (offset >= 0 && offset + words <= static_cast<int>(count)) answer.values.emplace_back(read.quantity, image.text);
  }
  if (std::any_of(data.begin(), data.end(), [](const auto& byte) { return !byte.has_value(); }))
    return {refusal(function, illegal_data_address), {}};
  answer.pdu = {function, static_cast<std::uint8_t>(data.size())};
  for (const auto& byte : data) answer.pdu.push_back(*byte);
  return answer;
}

void ModbusSlave::emit(Answer answer, std::uint8_t function, double at_s, std::vector<Chunk>& out) {
  const Faults::Verdict verdict = faults_.next_frame(at_s);
  Sent sent{at_s, verdict.fate, std::move(answer.values)};
  if (verdict.fate == Fate::silent) {
    out.push_back({{}, std::move(sent)});
    return;
  }
  if (verdict.fate == Fate::exception) answer.pdu = refusal(function, static_cast<std::uint8_t>(verdict.code));
  if ((answer.pdu[0] & 0x80) != 0) sent.fate = Fate::exception;
  std::vector<std::uint8_t> frame = {unit_};
  frame.insert(frame.end(), answer.pdu.begin(), answer.pdu.end());
  if (tcp_) {
    const std::uint8_t length = static_cast<std::uint8_t>(frame.size());
    frame.insert(frame.begin(), {transaction_[0], transaction_[1], 0, 0, 0, length});
  } else {
    std::uint16_t check = frame_check(frame);
    if (verdict.fate == Fate::checksum) check ^= 0x0101;
    frame.push_back(static_cast<std::uint8_t>(check & 0xFF));
    frame.push_back(static_cast<std::uint8_t>(check >> 8));
  }
  if (verdict.fate == Fate::cut) frame.resize(frame.size() / 2);
  Chunk chunk{{}, std::move(sent)};
  for (int copy = 0; copy < (verdict.fate == Fate::twice ? 2 : 1); ++copy)
    for (const std::uint8_t byte : frame) chunk.bytes.push_back(static_cast<std::byte>(byte));
  out.push_back(std::move(chunk));
}

void ModbusSlave::advance(double at_s, std::vector<Chunk>& out) {
  for (auto& burst : faults_.noise_until(at_s)) out.push_back({std::move(burst), std::nullopt});
}

void ModbusSlave::plugged(double, std::vector<Chunk>&) {
  pending_.clear();
}

}  // namespace nightwatt::sim
