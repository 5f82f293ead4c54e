// Warnings that end with what the tool's user may do about them.
#pragma once

#include <string>
#include <string_view>

namespace nightwatt {

inline constexpr std::string_view advice_begin = " (to do: ";

/// `the display's step is not known (to do: give it with import --resolution)`
[[nodiscard]] inline std::string with_advice(std::string what, std::string_view advice) {
  return what.append(advice_begin).append(advice).append(")");
}

/// The warning without its advice, for readers who cannot follow it, as those of a published page.
[[nodiscard]] inline std::string without_advice(std::string_view warning) {
  const std::size_t at = warning.ends_with(')') ? warning.rfind(advice_begin) : std::string_view::npos;
  return std::string(warning.substr(0, at));
}

}  // namespace nightwatt
