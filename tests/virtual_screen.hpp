// A terminal for tests: what a program's bytes would make one see. Knows the few control sequences that we send.
#pragma once

#include <cstddef>
#include <cstdlib>
#include <string>
#include <string_view>
#include <vector>

#include "text/printable.hpp"
#include "text/width.hpp"

namespace nightwatt::test {

class VirtualScreen {
 public:
  VirtualScreen(std::size_t columns, std::size_t rows) { resize(columns, rows); }

  /// What the program sends for the old size until it clears the screen is not held against it: it was on its way.
  void resize(std::size_t columns, std::size_t rows) {
    columns_ = columns;
    clear(rows);
    resized_ = true;
  }

  /// Takes bytes as they come; half a sequence waits for its rest.
  void feed(std::string_view bytes) {
    pending_ += bytes;
    std::string_view rest = pending_;
    while (!rest.empty() && take(rest)) {
    }
    pending_ = std::string(rest);
  }

  [[nodiscard]] std::string line(std::size_t row) const {
    std::string text;
    for (const std::string& cell : cells_[row]) text += cell;
    text.erase(text.find_last_not_of(' ') + 1);
    return text;
  }
  [[nodiscard]] std::string text() const {
    std::string all;
    for (std::size_t row = 0; row < cells_.size(); ++row) all += line(row) + "\n";
    return all;
  }
  [[nodiscard]] bool shows(std::string_view part) const { return text().find(part) != std::string::npos; }
  [[nodiscard]] bool alternate() const { return alternate_; }
  [[nodiscard]] bool cursor() const { return cursor_; }
  /// Sequences it does not know, and text beyond the screen's edge: a program should send neither.
  [[nodiscard]] int strange() const { return strange_; }

 private:
  // One character or sequence; false where its end has not come yet.
  bool take(std::string_view& rest) {
    if (rest[0] == '\x1b') return take_sequence(rest);
    if (static_cast<unsigned char>(rest[0]) >= 0xC0 && rest.size() < 4 && rest.find('\x1b') == std::string_view::npos) {
      std::string_view probe = rest;
      bool valid = false;
      (void)text::take_code_point(probe, valid);
      if (!valid) return false;
    }
    const std::string_view before = rest;
    bool valid = false;
    (void)text::take_code_point(rest, valid);
    put(std::string(before.substr(0, before.size() - rest.size())));
    return true;
  }

  bool take_sequence(std::string_view& rest) {
    if (rest.size() < 2) return false;
    if (rest[1] != '[') {
      ++strange_;
      rest.remove_prefix(2);
      return true;
    }
    const std::size_t end = rest.find_first_of("ABCDHJKmhlr", 2);
    if (end == std::string_view::npos) return false;
    apply(std::string(rest.substr(2, end - 2)), rest[end]);
    rest.remove_prefix(end + 1);
    return true;
  }

  void apply(const std::string& arguments, char what) {
    if (what == 'm') return;
    if (what == 'H') {
      row_ = static_cast<std::size_t>(std::strtoul(arguments.c_str(), nullptr, 10)) - 1;
      column_ =
          static_cast<std::size_t>(std::strtoul(arguments.substr(arguments.find(';') + 1).c_str(), nullptr, 10)) - 1;
    } else if (what == 'J' && arguments == "2") {
      clear(cells_.size());
      resized_ = false;
    } else if (what == 'K' && row_ < cells_.size()) {
      for (std::size_t i = column_; i < columns_; ++i) cells_[row_][i] = " ";
    } else if (arguments == "?1049") {
      alternate_ = what == 'h';
    } else if (arguments == "?25") {
      cursor_ = what == 'h';
    } else {
      ++strange_;
    }
  }

  void clear(std::size_t rows) {
    cells_.assign(rows, std::vector<std::string>(columns_, " "));
    row_ = column_ = 0;
  }

  void put(const std::string& glyph) {
    const std::size_t width = text::display_width(glyph);
    if (row_ >= cells_.size() || column_ + width > columns_) {
      if (!resized_) ++strange_;
      return;
    }
    if (width == 0) {
      if (column_ > 0) cells_[row_][column_ - 1] += glyph;
      return;
    }
    cells_[row_][column_] = glyph;
    if (width == 2) cells_[row_][column_ + 1] = "";
    column_ += width;
  }

  std::size_t columns_ = 0;
  std::vector<std::vector<std::string>> cells_;
  std::size_t row_ = 0, column_ = 0;
  std::string pending_;
  bool resized_ = false;
  bool alternate_ = false;
  bool cursor_ = true;
  int strange_ = 0;
};

}  // namespace nightwatt::test
