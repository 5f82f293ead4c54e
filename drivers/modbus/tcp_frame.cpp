#include "modbus/tcp_frame.hpp"

namespace nightwatt::drivers::modbus {

namespace {

constexpr unsigned exception_bit = 0x80;
constexpr std::size_t shortest_length_field = 3;  // unit, function, a byte
constexpr std::size_t longest_length_field = 254;

int number(std::byte byte) {
  return std::to_integer<int>(byte);
}
std::uint16_t word(std::span<const std::byte> bytes, std::size_t at) {
  return static_cast<std::uint16_t>(number(bytes[at]) * 256 + number(bytes[at + 1]));
}

void read_body(TcpFrame& frame, std::span<const std::byte> body) {
  const auto code = std::to_integer<unsigned>(body[0]);
  frame.function = static_cast<int>(code & ~exception_bit);
  if ((code & exception_bit) != 0) {
    frame.kind = body.size() == 2 ? FrameKind::exception : FrameKind::other;
    frame.code = number(body[1]);
    return;
  }
  if (frame.function != 3 && frame.function != 4) return;
  if (static_cast<std::size_t>(number(body[1])) + 2 == body.size()) {
    frame.kind = FrameKind::answer;
    frame.data = body.subspan(2);
  } else if (body.size() == 5) {
    frame.kind = FrameKind::request;
    frame.request = Request{frame.unit, frame.function, word(body, 1), word(body, 3)};
  }
}

}  // namespace

std::array<std::byte, tcp_request_length> tcp_request_frame(const Request& request, std::uint16_t transaction) {
  const auto low = [](unsigned value) { return static_cast<std::byte>(value & 0xFFU); };
  const auto high = [](unsigned value) { return static_cast<std::byte>(value >> 8U & 0xFFU); };
  constexpr unsigned length = 6;  // unit and the five bytes of the question
  return {high(transaction),
          low(transaction),
          std::byte{0},
          std::byte{0},
          high(length),
          low(length),
          low(static_cast<unsigned>(request.unit)),
          low(static_cast<unsigned>(request.function)),
          high(request.first),
          low(request.first),
          high(request.count),
          low(request.count)};
}

TcpFrameSearch tcp_frame_at(std::span<const std::byte> bytes) {
  if (bytes.size() >= 3 && bytes[2] != std::byte{0}) return {};
  if (bytes.size() >= 4 && bytes[3] != std::byte{0}) return {};
  if (bytes.size() >= 5 && bytes[4] != std::byte{0}) return {};
  if (bytes.size() < 6) return {std::nullopt, true};
  const std::size_t length = word(bytes, 4);
  if (length < shortest_length_field || length > longest_length_field) return {};
  if (bytes.size() < 6 + length) return {std::nullopt, true};
  TcpFrame frame;
  frame.length = 6 + length;
  frame.transaction = word(bytes, 0);
  frame.unit = number(bytes[6]);
  read_body(frame, bytes.subspan(tcp_header, length - 1));
  return {frame, false};
}

}  // namespace nightwatt::drivers::modbus
