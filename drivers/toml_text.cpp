#include "toml_text.hpp"

#include "measure/signal/digits.hpp"

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

std::string real_entry(std::string_view key, double number) {
  // Not the scientific form, which a person reads badly.
  return std::string(key) + " = " + digits_of(number, std::chars_format::fixed) + "\n";
}

std::string seconds_entry(std::string_view key, Duration length) {
  return real_entry(key, to_seconds(length).value);
}

}  // namespace nightwatt::drivers
