// What is to be seen: lines of coloured words, and their way to a terminal, only what changed.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

#include "table.hpp"

namespace nightwatt::query {

/// Safe to print already.
struct Span {
  std::string text;
  Tone tone = Tone::plain;
};
using FrameLine = std::vector<Span>;
using Frame = std::vector<FrameLine>;

/// Puts the text at the end of the line; joins what has one tone.
void add(FrameLine& line, std::string_view text, Tone tone = Tone::plain);
[[nodiscard]] std::string line_text(const FrameLine& line, const Style& style);
/// At most so many columns; `…` at the end of what was cut.
[[nodiscard]] FrameLine cut_line(const FrameLine& line, std::size_t columns);
[[nodiscard]] std::size_t line_width(const FrameLine& line);

struct ScreenSize {
  std::size_t columns = 80;
  std::size_t rows = 24;
  friend bool operator==(const ScreenSize&, const ScreenSize&) = default;
};

/// Knows what a terminal shows. Lines beyond the screen are left out.
class Screen {
 public:
  explicit Screen(bool colour) : colour_(colour) {}
  /// The bytes that make the terminal show `frame`: within a changed line from the first changed place on.
  [[nodiscard]] std::string update(const Frame& frame, ScreenSize size);

 private:
  struct Cell {
    std::string glyph;  ///< with what combines with it; empty: the second half of a wide one
    Tone tone = Tone::plain;
    friend bool operator==(const Cell&, const Cell&) = default;
  };
  using Cells = std::vector<Cell>;
  [[nodiscard]] static Cells cells_of(const FrameLine& line);
  void draw(std::string& out, std::size_t row, const Cells& cells) const;

  bool colour_;
  ScreenSize size_{0, 0};
  std::vector<Cells> shown_;
};

}  // namespace nightwatt::query
