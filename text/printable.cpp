#include "text/printable.hpp"

#include <array>

namespace nightwatt::text {
namespace {

constexpr char32_t replacement = 0xFFFD;
constexpr std::size_t quoted_limit = 40;  // code points; a message stays within a line or two

std::uint8_t byte_at(std::string_view text, std::size_t index) {
  return static_cast<std::uint8_t>(text[index]);
}

void append_hex(std::string& out, std::uint32_t value, int digits) {
  constexpr std::string_view hex = "0123456789abcdef";
  for (int shift = (digits - 1) * 4; shift >= 0; shift -= 4) out += hex[(value >> shift) & 0xFU];
}

void append_printable(std::string& out, std::string_view& rest) {
  const std::string_view before = rest;
  bool valid = true;
  const char32_t code_point = take_code_point(rest, valid);
  if (!valid || (code_point < 0x100 && is_control(code_point))) {
    for (const char c : before.substr(0, before.size() - rest.size())) {
      out += "\\x";
      append_hex(out, static_cast<std::uint8_t>(c), 2);
    }
  } else if (is_control(code_point)) {
    out += "\\u";
    append_hex(out, code_point, 4);
  } else {
    out += before.substr(0, before.size() - rest.size());
  }
}

}  // namespace

// The Unicode Standard, table 3-7 (well-formed UTF-8 byte sequences): no overlong forms, surrogates or values past
// 10FFFF.
char32_t take_code_point(std::string_view& rest, bool& valid) {
  const std::uint8_t lead = byte_at(rest, 0);
  valid = true;
  if (lead < 0x80) {
    rest.remove_prefix(1);
    return lead;
  }
  const std::size_t length = lead >= 0xC2 && lead <= 0xDF   ? 2
                             : (lead & 0xF0U) == 0xE0       ? 3
                             : lead >= 0xF0 && lead <= 0xF4 ? 4
                                                            : 0;
  bool good = length != 0 && rest.size() >= length;
  char32_t code_point = length == 0 ? 0 : lead & (0xFFU >> (length + 1));
  for (std::size_t i = 1; good && i < length; ++i) {
    good = (byte_at(rest, i) & 0xC0U) == 0x80;
    code_point = (code_point << 6) | (byte_at(rest, i) & 0x3FU);
  }
  if (good && length == 3) good = code_point >= 0x800 && (code_point < 0xD800 || code_point > 0xDFFF);
  if (good && length == 4) good = code_point >= 0x10000 && code_point <= 0x10FFFF;
  valid = good;
  rest.remove_prefix(good ? length : 1);
  return good ? code_point : replacement;
}

bool is_control(char32_t c) {
  return c < 0x20 || (c >= 0x7F && c < 0xA0) ||          // C0, DEL, C1
         (c >= 0x200B && c <= 0x200F) || c == 0xFEFF ||  // zero-width and direction marks
         (c >= 0x2028 && c <= 0x202E) ||                 // line separators, embeddings and overrides
         (c >= 0x2060 && c <= 0x206F);                   // invisible operators, isolates
}

std::string printable(std::string_view text) {
  std::string out;
  out.reserve(text.size());
  while (!text.empty()) append_printable(out, text);
  return out;
}

std::string quoted(std::string_view text) {
  std::string out = "\"";
  for (std::size_t i = 0; i < quoted_limit && !text.empty(); ++i) append_printable(out, text);
  out += text.empty() ? "\"" : "...\"";
  return out;
}

Result<void> check_text(std::string_view what, std::string_view text, std::size_t limit) {
  const std::string name(what);
  if (text.find_first_not_of(' ') == std::string_view::npos)
    return fail(ErrorKind::input, name + " is empty; give it some text");
  if (text.size() > limit)
    return fail(ErrorKind::input,
                name + " has " + std::to_string(text.size()) + " bytes; " + std::to_string(limit) + " are allowed");
  for (std::string_view rest = text; !rest.empty();) {
    bool valid = true;
    const char32_t code_point = take_code_point(rest, valid);
    if (!valid) return fail(ErrorKind::input, name + " " + quoted(text) + " is not valid UTF-8; type it again");
    if (is_control(code_point))
      return fail(ErrorKind::input, name + " " + quoted(text) + " holds a control character; leave it out");
  }
  return {};
}

}  // namespace nightwatt::text
