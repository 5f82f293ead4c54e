#include "frame.hpp"

#include <algorithm>

#include "text/printable.hpp"
#include "text/width.hpp"

namespace nightwatt::query {
namespace {

constexpr std::string_view clear_screen = "\x1b[0m\x1b[2J";
constexpr std::string_view clear_to_end = "\x1b[K";

std::string move_to(std::size_t row, std::size_t column) {
  return "\x1b[" + std::to_string(row + 1) + ";" + std::to_string(column + 1) + "H";
}

}  // namespace

void add(FrameLine& line, std::string_view text, Tone tone) {
  if (text.empty()) return;
  if (line.empty() || line.back().tone != tone)
    line.push_back({std::string(text), tone});
  else
    line.back().text += text;
}

std::string line_text(const FrameLine& line, const Style& style) {
  std::string text;
  for (const Span& span : line) text += toned(style, span.tone, span.text);
  return text;
}

std::size_t line_width(const FrameLine& line) {
  std::size_t width = 0;
  for (const Span& span : line) width += text::display_width(span.text);
  return width;
}

FrameLine cut_line(const FrameLine& line, std::size_t columns) {
  FrameLine cut;
  std::size_t left = columns;
  for (std::size_t i = 0; i < line.size(); ++i) {
    const std::size_t width = text::display_width(line[i].text);
    const bool more = i + 1 < line.size();
    if (width < left || (width == left && !more)) {
      cut.push_back(line[i]);
      left -= width;
      continue;
    }
    // The mark of the cut takes the last column, also where only the next span would not fit.
    add(cut, text::cut_to(line[i].text + (more ? " " : ""), left), line[i].tone);
    break;
  }
  return cut;
}

Screen::Cells Screen::cells_of(const FrameLine& line) {
  Cells cells;
  for (const Span& span : line) {
    std::string_view rest = span.text;
    while (!rest.empty()) {
      const std::string_view before = rest;
      bool valid = false;
      (void)text::take_code_point(rest, valid);
      const std::string glyph(before.substr(0, before.size() - rest.size()));
      const std::size_t width = text::display_width(glyph);
      if (width == 0 && !cells.empty()) {
        cells.back().glyph += glyph;
        continue;
      }
      cells.push_back({glyph, span.tone});
      if (width == 2) cells.push_back({"", span.tone});
    }
  }
  return cells;
}

void Screen::draw(std::string& out, std::size_t row, const Cells& cells) const {
  const Cells& old = shown_[row];
  if (cells == old) return;
  std::size_t first = 0, last = cells.size();
  while (first < cells.size() && first < old.size() && cells[first] == old[first]) ++first;
  while (first > 0 && first < cells.size() && cells[first].glyph.empty()) --first;
  // Where the ends are alike and neither moved, only the middle is sent.
  if (cells.size() == old.size())
    while (last > first && cells[last - 1] == old[last - 1]) --last;
  out += move_to(row, first);
  FrameLine changed;
  for (std::size_t i = first; i < last; ++i) add(changed, cells[i].glyph, cells[i].tone);
  Style style;
  style.colour = colour_;
  out += line_text(changed, style);
  if (cells.size() < old.size()) out += clear_to_end;
}

std::string Screen::update(const Frame& frame, ScreenSize size) {
  std::string out;
  if (size != size_) {
    size_ = size;
    shown_.assign(size.rows, {});
    out += clear_screen;
  }
  for (std::size_t row = 0; row < size.rows; ++row) {
    const Cells cells = row < frame.size() ? cells_of(cut_line(frame[row], size.columns)) : Cells{};
    draw(out, row, cells);
    shown_[row] = cells;
  }
  return out;
}

}  // namespace nightwatt::query
