#include "modbus/frame.hpp"

#include "crc16.hpp"

namespace nightwatt::drivers::modbus {

namespace {

constexpr unsigned exception_bit = 0x80;
constexpr int highest_unit = 247;           // Serial Line V1.02, 2.2: 1 to 247 are single units
constexpr int highest_function = 0x2B;      // Application Protocol V1.1b3, 5.1: the last public function code
constexpr int highest_exception_code = 11;  // V1.1b3, 7

int number(std::byte byte) {
  return std::to_integer<int>(byte);
}

std::uint16_t word(std::span<const std::byte> bytes, std::size_t at) {
  return static_cast<std::uint16_t>((number(bytes[at]) << 8) | number(bytes[at + 1]));
}

/// Lengths a frame of a function may have, in the order to try them; 0 means none.
struct Lengths {
  std::array<std::size_t, 2> length{};
  bool unknown_yet = false;  ///< the byte that tells has not come
};

/// The length that a byte of the frame tells is tried before the fixed one: it is the less likely to fit by chance.
Lengths counted_then_fixed(std::size_t counted) {
  return {{counted, request_length}, false};
}

Lengths lengths_of(std::span<const std::byte> bytes, int function) {
  switch (function) {
    case 1:
    case 2:
    case 3:
    case 4: {  // a request, or an answer that counts its bytes: whole registers for 3 and 4
      if (bytes.size() < 3) return {{0, 0}, true};
      const auto counted = static_cast<std::size_t>(number(bytes[2]));
      const bool registers = function >= 3;
      const bool possible = counted >= 1 && counted <= 2 * most_registers && (!registers || counted % 2 == 0);
      return counted_then_fixed(possible ? 5 + counted : 0);
    }
    case 5:
    case 6:
      return {{request_length, 0}, false};
    case 15:
    case 16: {  // an answer, or a request that counts its bytes
      if (bytes.size() < 7) return {{0, 0}, true};
      const std::size_t request = 9 + static_cast<std::size_t>(number(bytes[6]));
      return counted_then_fixed(request <= longest_frame ? request : 0);
    }
    default:
      return {};
  }
}

Frame read_frame(std::span<const std::byte> bytes) {
  Frame frame;
  frame.length = bytes.size();
  frame.unit = number(bytes[0]);
  frame.function = number(bytes[1]);
  if (frame.function != 3 && frame.function != 4) return frame;
  if (number(bytes[2]) + 5 == static_cast<int>(bytes.size())) {
    frame.kind = FrameKind::answer;
    frame.data = bytes.subspan(3, bytes.size() - 5);
    return frame;
  }
  frame.request = Request{frame.unit, frame.function, word(bytes, 2), word(bytes, 4)};
  const bool sensible = frame.request.count >= 1 && frame.request.count <= most_registers;
  frame.kind = sensible ? FrameKind::request : FrameKind::other;
  return frame;
}

FrameSearch exception_at(std::span<const std::byte> bytes, int function) {
  if (function < 1 || function > highest_function) return {};
  if (bytes.size() < 3) return {std::nullopt, true};
  const int code = number(bytes[2]);
  if (code < 1 || code > highest_exception_code) return {};
  if (bytes.size() < exception_length) return {std::nullopt, true};
  if (!check_is_good(bytes.first(exception_length))) return {};
  Frame frame;
  frame.kind = FrameKind::exception;
  frame.length = exception_length;
  frame.unit = number(bytes[0]);
  frame.function = function;
  frame.code = code;
  return {frame, false};
}

}  // namespace

std::string Request::text() const {
  const char* what = function == 1 ? "coil" : function == 2 ? "input" : "register";
  std::string out = "function " + std::to_string(function) + ", " + what;
  if (count == 1) return out + " " + std::to_string(first);
  return out + "s " + std::to_string(first) + " to " + std::to_string(first + count - 1);
}

std::string Request::from_whom() const {
  return "from unit " + std::to_string(unit) + " to " + text();
}

std::array<std::byte, request_length> request_frame(const Request& request) {
  const auto low = [](unsigned value) { return static_cast<std::byte>(value & 0xFFU); };
  std::array<std::byte, request_length> frame = {low(static_cast<unsigned>(request.unit)),
                                                 low(static_cast<unsigned>(request.function)),
                                                 low(static_cast<unsigned>(request.first) >> 8U),
                                                 low(request.first),
                                                 low(static_cast<unsigned>(request.count) >> 8U),
                                                 low(request.count),
                                                 std::byte{0},
                                                 std::byte{0}};
  const std::uint16_t crc = crc16_modbus(std::span(frame).first(6));
  frame[6] = low(crc);
  frame[7] = low(static_cast<unsigned>(crc) >> 8U);
  return frame;
}

std::string_view exception_name(int code) {
  switch (code) {
    case 1:
      return "illegal function";
    case 2:
      return "illegal data address";
    case 3:
      return "illegal data value";
    case 4:
      return "server device failure";
    case 5:
      return "acknowledge";
    case 6:
      return "server device busy";
    case 8:
      return "memory parity error";
    case 10:
      return "gateway path unavailable";
    case 11:
      return "gateway target device failed to respond";
    default:
      return "no name in the standard";
  }
}

std::string refusal_text(int unit, std::string_view what, int code) {
  return "unit " + std::to_string(unit) + " refused " + std::string(what) + ": " + std::string(exception_name(code)) +
         " (exception " + std::to_string(code) + ")";
}

bool refuses_for_now(int code) {
  constexpr int acknowledge = 5, busy = 6;
  return code == acknowledge || code == busy;
}

bool check_is_good(std::span<const std::byte> bytes) {
  return crc16_modbus(bytes) == 0;
}

bool begins_answer(std::span<const std::byte> bytes, const Request& request) {
  return number(bytes[0]) == request.unit && number(bytes[1]) == request.function &&
         static_cast<std::size_t>(number(bytes[2])) == request.data_length();
}

FrameSearch frame_at(std::span<const std::byte> bytes, bool at_end) {
  if (bytes.empty()) return {std::nullopt, true};
  const int unit = number(bytes[0]);
  if (unit < 1 || unit > highest_unit) return {};
  if (bytes.size() < 2) return {std::nullopt, true};
  const auto code = std::to_integer<unsigned>(bytes[1]);
  if ((code & exception_bit) != 0) return exception_at(bytes, static_cast<int>(code & ~exception_bit));
  const Lengths lengths = lengths_of(bytes, static_cast<int>(code));
  for (const std::size_t length : lengths.length) {
    if (length == 0) continue;
    if (bytes.size() < length) {
      if (at_end) continue;
      return {std::nullopt, true};
    }
    if (check_is_good(bytes.first(length))) return {read_frame(bytes.first(length)), false};
  }
  return {std::nullopt, lengths.unknown_yet};
}

}  // namespace nightwatt::drivers::modbus
