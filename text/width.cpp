#include "text/width.hpp"

#include <utf8proc.h>

#include "text/printable.hpp"

namespace nightwatt::text {
namespace {

/// Columns of a terminal. libc's wcwidth() would need a UTF-8 locale, which a service machine often lacks.
std::size_t width_of(char32_t c) {
  return static_cast<std::size_t>(utf8proc_charwidth(static_cast<utf8proc_int32_t>(c)));
}

}  // namespace

std::size_t display_width(std::string_view text) {
  std::size_t columns = 0;
  bool valid = true;
  while (!text.empty()) columns += width_of(take_code_point(text, valid));
  return columns;
}

std::string pad_right(std::string_view text, std::size_t columns) {
  std::string out(text);
  const std::size_t have = display_width(text);
  if (have < columns) out.append(columns - have, ' ');
  return out;
}

std::string pad_left(std::string_view text, std::size_t columns) {
  const std::size_t have = display_width(text);
  std::string out(have < columns ? columns - have : 0, ' ');
  out += text;
  return out;
}

std::string cut_to(std::string_view text, std::size_t columns) {
  if (display_width(text) <= columns) return std::string(text);
  if (columns == 0) return {};
  std::string out;
  std::size_t used = 0;
  while (!text.empty()) {
    const std::string_view before = text;
    bool valid = true;
    const std::size_t width = width_of(take_code_point(text, valid));
    if (used + width > columns - 1) break;
    used += width;
    out += before.substr(0, before.size() - text.size());
  }
  return out + "…";
}

}  // namespace nightwatt::text
