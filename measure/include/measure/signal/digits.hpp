// Numbers as text, without a locale: std::to_chars in one place.
#pragma once

#include <array>
#include <charconv>
#include <string>

namespace nightwatt {

/// As std::to_chars writes it: alone the shortest digits that read back as the same number; or with a
/// std::chars_format and how many digits.
template <class Number, class... Form>
[[nodiscard]] std::string digits_of(Number number, Form... form) {
  std::array<char, 400> digits;  // the largest double has 309 digits before the point, the least needs 341 behind it
  return {digits.data(), std::to_chars(digits.data(), digits.data() + digits.size(), number, form...).ptr};
}

}  // namespace nightwatt
