#include "table.hpp"

#include <algorithm>

#include "text/width.hpp"

namespace nightwatt::query {
namespace {

std::string_view sequence(Tone tone) {
  switch (tone) {
    case Tone::plain:
      return {};
    case Tone::strong:
      return "\x1b[1m";
    case Tone::dim:
      return "\x1b[2m";
    case Tone::red:
      return "\x1b[31m";
    case Tone::green:
      return "\x1b[32m";
    case Tone::yellow:
      return "\x1b[33m";
    case Tone::blue:
      return "\x1b[34m";
    case Tone::magenta:
      return "\x1b[35m";
    case Tone::cyan:
      return "\x1b[36m";
  }
  return {};
}

void trim_line_end(std::string& line) {
  const std::size_t last = line.find_last_not_of(' ');
  line.erase(last == std::string::npos ? 0 : last + 1);
}

}  // namespace

std::string toned(const Style& style, Tone tone, std::string_view text) {
  if (!style.colour || tone == Tone::plain) return std::string(text);
  std::string out(sequence(tone));
  out += text;
  return out + "\x1b[0m";
}

void Table::column(std::string title, Align align) {
  columns_.push_back({std::move(title), align});
}

void Table::row(std::vector<Cell> cells) {
  cells.resize(columns_.size());
  for (Cell& cell : cells)
    if (cell.text.empty()) cell = {"-", Tone::dim};
  rows_.push_back(std::move(cells));
}

void Table::write(Sink& out, const Style& style) const {
  std::vector<std::size_t> widths;
  for (std::size_t i = 0; i < columns_.size(); ++i) {
    std::size_t width = text::display_width(columns_[i].title);
    for (const auto& row : rows_) width = std::max(width, text::display_width(row[i].text));
    widths.push_back(width);
  }
  const auto line = [&](const std::vector<Cell>& cells) {
    std::string text;
    for (std::size_t i = 0; i < cells.size(); ++i) {
      const std::string padded = columns_[i].align == Align::left ? text::pad_right(cells[i].text, widths[i])
                                                                  : text::pad_left(cells[i].text, widths[i]);
      text += (i == 0 ? "" : "  ") + toned(style, cells[i].tone, padded);
    }
    if (!style.colour) trim_line_end(text);
    out.write(text + "\n");
  };
  std::vector<Cell> heading;
  for (const Column& column : columns_) heading.push_back({column.title, Tone::strong});
  line(heading);
  for (const auto& row : rows_) line(row);
}

std::string markdown_text(std::string_view text) {
  std::string safe;
  for (const char c : text) {
    if (std::string_view("|\\`*_<[").find(c) != std::string_view::npos) safe += '\\';
    safe += c;
  }
  return safe;
}

void Table::write_markdown(Sink& out) const {
  std::string heading = "|", rule = "|";
  for (const Column& column : columns_) {
    heading += " " + markdown_text(column.title) + " |";
    rule += column.align == Align::left ? " --- |" : " ---: |";
  }
  out.write(heading + "\n" + rule + "\n");
  for (const auto& row : rows_) {
    std::string line = "|";
    for (const Cell& cell : row) line += " " + markdown_text(cell.text) + " |";
    out.write(line + "\n");
  }
}

}  // namespace nightwatt::query
