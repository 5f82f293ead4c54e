// What a name or a note from outside may look like before it gets into the store.
#pragma once

#include <cstddef>
#include <string_view>

#include "measure/signal/result.hpp"

namespace nightwatt::daemon {

inline constexpr std::size_t device_name_limit = 256;  ///< bytes; a name that still fits a table's row
inline constexpr std::size_t note_limit = 4096;        ///< bytes; a paragraph
inline constexpr std::size_t list_limit = 64;          ///< entries of --includes or --set

/// Whole, shortest-form UTF-8 without surrogates (RFC 3629 section 3).
[[nodiscard]] bool is_utf8(std::string_view text);

/// 1 to `device_name_limit` bytes of UTF-8 without control characters. `what` names it in the message ("device name").
[[nodiscard]] Result<void> check_name(std::string_view what, std::string_view text);
/// The same for 0 to `note_limit` bytes.
[[nodiscard]] Result<void> check_note(std::string_view what, std::string_view text);

}  // namespace nightwatt::daemon
