// The frames of Modbus TCP (Modbus Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3): a header in front of the
// same questions and answers, and no check. Framing only.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>

#include "modbus/frame.hpp"

namespace nightwatt::drivers::modbus {

/// Transaction, protocol and length, of two bytes each, and the unit.
inline constexpr std::size_t tcp_header = 7;
/// A header and the longest protocol data unit, 253 bytes.
inline constexpr std::size_t longest_tcp_frame = tcp_header + 253;
inline constexpr std::size_t tcp_request_length = tcp_header + 5;

/// Its length counts the header.
struct TcpFrame : Frame {
  std::uint16_t transaction = 0;
};

[[nodiscard]] std::array<std::byte, tcp_request_length> tcp_request_frame(const Request& request,
                                                                          std::uint16_t transaction);

struct TcpFrameSearch {
  std::optional<TcpFrame> frame;
  bool needs_more = false;  ///< no frame yet, but more bytes may complete one
};
/// What begins at the first byte.
[[nodiscard]] TcpFrameSearch tcp_frame_at(std::span<const std::byte> bytes);

}  // namespace nightwatt::drivers::modbus
