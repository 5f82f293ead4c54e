// How many columns of a terminal a text takes, and padding and cutting by columns.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>

namespace nightwatt::text {

/// Columns of UTF-8 text without controls. Combining marks take none, East Asian wide characters and pictographs two.
[[nodiscard]] std::size_t display_width(std::string_view text);
[[nodiscard]] std::string pad_right(std::string_view text, std::size_t columns);  ///< blanks after it
[[nodiscard]] std::string pad_left(std::string_view text, std::size_t columns);   ///< blanks before it
/// At most `columns` columns; `…` at the end of what was cut.
[[nodiscard]] std::string cut_to(std::string_view text, std::size_t columns);

}  // namespace nightwatt::text
