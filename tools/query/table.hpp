// Tables and coloured words for a terminal.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "text/sink.hpp"

namespace nightwatt::query {

using text::Sink;

enum class Tone : std::uint8_t { plain, strong, dim, red, green, yellow, blue, magenta, cyan };

/// What the terminal can do.
struct Style {
  bool colour = false;
  std::size_t columns = 80;
};

/// The text in its tone where there is colour, else as it is.
[[nodiscard]] std::string toned(const Style& style, Tone tone, std::string_view text);

/// The text with what Markdown would take for a cell's end, emphasis, code, a link or HTML made plain.
[[nodiscard]] std::string markdown_text(std::string_view text);

/// Rows of cells under a heading, aligned by display width. Cells must be safe to print already.
class Table {
 public:
  enum class Align : std::uint8_t { left, right };
  struct Cell {
    std::string text;
    Tone tone = Tone::plain;
  };

  void column(std::string title, Align align);
  void row(std::vector<Cell> cells);  ///< as many as there are columns; an empty one is shown as `-`
  void write(Sink& out, const Style& style) const;
  /// As a Markdown table, to paste into a page.
  void write_markdown(Sink& out) const;

 private:
  struct Column {
    std::string title;
    Align align;
  };
  std::vector<Column> columns_;
  std::vector<std::vector<Cell>> rows_;
};

}  // namespace nightwatt::query
