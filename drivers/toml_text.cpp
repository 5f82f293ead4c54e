#include "toml_text.hpp"

#include <array>
#include <charconv>

namespace nightwatt::drivers {

std::string toml_quoted(std::string_view text) {
  std::string result = "\"";
  for (const char c : text) {
    if (c == '"' || c == '\\') result += '\\';
    result += c;
  }
  return result + "\"";
}

std::string text_entry(std::string_view key, std::string_view text) {
  return std::string(key) + " = " + toml_quoted(text) + "\n";
}

std::string number_entry(std::string_view key, long long number) {
  return std::string(key) + " = " + std::to_string(number) + "\n";
}

std::string seconds_entry(std::string_view key, Duration length) {
  std::array<char, 48> digits{};
  const double seconds = to_seconds(length).value;
  const auto end = std::to_chars(digits.data(), digits.data() + digits.size(), seconds, std::chars_format::fixed);
  return std::string(key) + " = " + std::string(digits.data(), end.ptr) + "\n";
}

}  // namespace nightwatt::drivers
