// Faults with a message that is safe to print: one line, bounded, no control characters.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <string>
#include <string_view>

#include "drivers/decoder.hpp"

namespace nightwatt::drivers {

/// Longest message, as decoder.hpp promises; a log line and a terminal's width twice.
inline constexpr std::size_t fault_message_limit = 200;

[[nodiscard]] Fault make_fault(FaultKind kind, std::uint64_t at_byte, std::string message);

/// The beginning of a received text between quotes, with what cannot be printed as \xHH; cut after `limit` characters.
[[nodiscard]] std::string quoted(std::string_view text, std::size_t limit = 40);

/// The first bytes as hexadecimal, "0A 1B ..", cut after `limit` bytes.
[[nodiscard]] std::string hex(std::span<const std::byte> bytes, std::size_t limit = 8);

}  // namespace nightwatt::drivers
