// The frames of Modbus RTU: how a request is built and which frame, if any, begins at a byte. Framing only; what the
// registers mean stands in modbus_plan.hpp.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>

namespace nightwatt::drivers::modbus {

/// Modbus over Serial Line V1.02, 2.5.1: an RTU frame has at most 256 bytes.
inline constexpr std::size_t longest_frame = 256;
/// Application Protocol V1.1b3, 6.3: at most 125 registers a request.
inline constexpr std::size_t most_registers = 125;
inline constexpr std::size_t request_length = 8;
inline constexpr std::size_t exception_length = 5;

/// A question for registers, function 3 or 4, or for bits, function 1 or 2.
struct Request {
  int unit = 1;
  int function = 4;
  std::uint16_t first = 0;
  std::uint16_t count = 1;

  [[nodiscard]] bool is_for_bits() const { return function == 1 || function == 2; }
  [[nodiscard]] std::size_t data_length() const {
    return is_for_bits() ? (std::size_t{count} + 7) / 8 : std::size_t{2} * count;
  }
  /// Unit, function, byte count, data, check.
  [[nodiscard]] std::size_t answer_length() const { return 5 + data_length(); }
  /// "function 4, registers 12 to 13"
  [[nodiscard]] std::string text() const;
  /// "from unit 3 to function 4, register 12"
  [[nodiscard]] std::string from_whom() const;
  friend bool operator==(const Request&, const Request&) = default;
};

[[nodiscard]] std::array<std::byte, request_length> request_frame(const Request& request);

/// Application Protocol V1.1b3, 7: the standard's name of an exception code.
[[nodiscard]] std::string_view exception_name(int code);
/// "unit 3 refused function 4, register 12: illegal data address (exception 2)"
[[nodiscard]] std::string refusal_text(int unit, std::string_view what, int code);
/// Acknowledge and busy: the meter would answer later.
[[nodiscard]] bool refuses_for_now(int code);

enum class FrameKind : std::uint8_t {
  request,    ///< for registers, function 3 or 4
  answer,     ///< registers, function 3 or 4
  exception,  ///< a refusal of any function
  other,      ///< a good frame of a function that we do not use
};
struct Frame {
  FrameKind kind = FrameKind::other;
  std::size_t length = 0;
  int unit = 0;
  int function = 0;                 ///< without the exception bit
  int code = 0;                     ///< exception only
  Request request;                  ///< request only
  std::span<const std::byte> data;  ///< answer only: the registers
};

/// What begins at the first byte of `bytes`.
struct FrameSearch {
  std::optional<Frame> frame;  ///< a frame whose check is good
  bool needs_more = false;     ///< no frame yet, but more bytes may complete one
};
/// Tries an answer before a request of eight bytes, for one long answer in 65536 begins with eight bytes that would
/// pass for a request. So that the outcome does not depend on how many bytes came at once, a length that is not there
/// yet is waited for, unless `at_end` says that nothing follows. `bytes` may be longer than the frame.
[[nodiscard]] FrameSearch frame_at(std::span<const std::byte> bytes, bool at_end = false);

/// Whether `bytes` begins like an answer to the request: unit, function, byte count. At least 3 bytes are needed.
[[nodiscard]] bool begins_answer(std::span<const std::byte> bytes, const Request& request);
/// Whether `bytes` is exactly one frame whose check is good.
[[nodiscard]] bool check_is_good(std::span<const std::byte> bytes);

}  // namespace nightwatt::drivers::modbus
