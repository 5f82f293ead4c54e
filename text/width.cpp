#include "text/width.hpp"

#include <array>

#include "text/printable.hpp"

namespace nightwatt::text {
namespace {

struct Range {
  char32_t first;
  char32_t last;
};

// The large ranges of Unicode 15's EastAsianWidth.txt with value W or F, and the pictographs. libc's wcwidth() would
// need a UTF-8 locale, which a service machine often lacks.
constexpr std::array<Range, 14> wide = {{{0x1100, 0x115F},
                                         {0x2E80, 0x303E},
                                         {0x3041, 0x33FF},
                                         {0x3400, 0x4DBF},
                                         {0x4E00, 0x9FFF},
                                         {0xA000, 0xA4CF},
                                         {0xA960, 0xA97C},
                                         {0xAC00, 0xD7A3},
                                         {0xF900, 0xFAFF},
                                         {0xFE30, 0xFE6F},
                                         {0xFF01, 0xFF60},
                                         {0xFFE0, 0xFFE6},
                                         {0x1F300, 0x1FAFF},
                                         {0x20000, 0x3FFFD}}};
// Combining marks of the scripts a device name is likely to hold, and variation selectors.
constexpr std::array<Range, 6> zero = {
    {{0x0300, 0x036F}, {0x0591, 0x05BD}, {0x1AB0, 0x1AFF}, {0x1DC0, 0x1DFF}, {0x20D0, 0x20FF}, {0xFE00, 0xFE0F}}};

template <std::size_t N>
bool within(const std::array<Range, N>& ranges, char32_t c) {
  for (const Range& range : ranges)
    if (c >= range.first && c <= range.last) return true;
  return false;
}

std::size_t width_of(char32_t c) {
  if (c < 0x300) return 1;
  if (within(zero, c)) return 0;
  return within(wide, c) ? 2 : 1;
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
