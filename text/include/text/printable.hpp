// Makes text from outside safe to show, and refuses names that cannot be shown as they are.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>

#include "measure/signal/result.hpp"

namespace nightwatt::text {

/// A device or meter name, a condition's key or value: the longest accepted, in bytes. Fits a line of any table.
inline constexpr std::size_t name_limit = 256;
/// A note or a mark's text: the longest accepted, in bytes. Fits a control request beside the names.
inline constexpr std::size_t note_limit = 4096;

/// One code point taken off the front of `rest`; U+FFFD (and one byte taken) where it is no valid UTF-8. `rest` must
/// not be empty. `valid` says which.
[[nodiscard]] char32_t take_code_point(std::string_view& rest, bool& valid);

/// Characters that move the cursor, start an escape sequence, break a line or turn the writing direction.
[[nodiscard]] bool is_control(char32_t code_point);

/// The text with controls as `\x1b` or `\u202e` and invalid bytes as `\xff`; the same text where all of it is harmless.
[[nodiscard]] std::string printable(std::string_view text);
/// printable(), in double quotes, cut to about 40 columns.
[[nodiscard]] std::string quoted(std::string_view text);

/// Refuses empty and over-long text, controls and invalid UTF-8. `what` names it: "the device name".
[[nodiscard]] Result<void> check_text(std::string_view what, std::string_view text, std::size_t limit);

}  // namespace nightwatt::text
