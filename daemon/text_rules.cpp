#include "daemon/text_rules.hpp"

#include <cstdint>
#include <string>

namespace nightwatt::daemon {
namespace {

constexpr char32_t not_a_character = 0xFFFFFFFF;

// Takes one code point off the front; not_a_character where the bytes are none.
char32_t take_code_point(std::string_view& text) {
  const auto byte = [&](std::size_t i) { return static_cast<std::uint8_t>(text[i]); };
  const std::uint8_t first = byte(0);
  std::size_t length = 1;
  char32_t value = first;
  char32_t lowest = 0;
  if (first >= 0x80) {
    if (first >= 0xC2 && first <= 0xDF) {
      length = 2, value = first & 0x1FU, lowest = 0x80;
    } else if (first >= 0xE0 && first <= 0xEF) {
      length = 3, value = first & 0x0FU, lowest = 0x800;
    } else if (first >= 0xF0 && first <= 0xF4) {
      length = 4, value = first & 0x07U, lowest = 0x10000;
    } else {
      return not_a_character;
    }
  }
  if (text.size() < length) return not_a_character;
  for (std::size_t i = 1; i < length; ++i) {
    if ((byte(i) & 0xC0U) != 0x80) return not_a_character;
    value = (value << 6U) | (byte(i) & 0x3FU);
  }
  if (value < lowest || value > 0x10FFFF || (value >= 0xD800 && value <= 0xDFFF)) return not_a_character;
  text.remove_prefix(length);
  return value;
}

bool is_control(char32_t c) {
  return c < 0x20 || (c >= 0x7F && c < 0xA0) || c == 0x2028 || c == 0x2029;
}

Result<void> check_text(std::string_view what, std::string_view text, std::size_t limit) {
  const std::string name(what);
  if (text.size() > limit) {
    return fail(ErrorKind::input, name + " has " + std::to_string(text.size()) + " bytes; at most " +
                                      std::to_string(limit) + " are kept: shorten it");
  }
  while (!text.empty()) {
    const char32_t c = take_code_point(text);
    if (c == not_a_character) return fail(ErrorKind::input, name + " is not UTF-8 text: retype it");
    if (is_control(c)) return fail(ErrorKind::input, name + " holds a control character or line break: leave it out");
  }
  return {};
}

}  // namespace

bool is_utf8(std::string_view text) {
  while (!text.empty())
    if (take_code_point(text) == not_a_character) return false;
  return true;
}

Result<void> check_name(std::string_view what, std::string_view text) {
  if (text.empty()) return fail(ErrorKind::input, std::string(what) + " is empty: give one");
  return check_text(what, text, device_name_limit);
}

Result<void> check_note(std::string_view what, std::string_view text) {
  return check_text(what, text, note_limit);
}

}  // namespace nightwatt::daemon
