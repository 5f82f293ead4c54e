#include "history_picture.hpp"

#include <algorithm>
#include <cmath>

#include "figures/figures.hpp"
#include "text/width.hpp"

namespace nightwatt::query {
namespace {

constexpr std::size_t rows = 5;
constexpr std::size_t scale_columns = 12;  // "   39.12 W ┤"
constexpr std::size_t widest_step = 3;     // columns a level, where there is room

}  // namespace

std::vector<std::string> history_picture(const std::vector<double>& levels_w, std::size_t columns) {
  if (levels_w.size() < 2 || columns < scale_columns + 4) return {};
  const auto [low, high] = std::minmax_element(levels_w.begin(), levels_w.end());
  // A level that hardly moves is to look so: no less than two thousandths from bottom to top.
  constexpr double least_half = 0.001;
  const double middle = 0.5 * (*low + *high);
  const double half = std::max(0.5 * (*high - *low), least_half * std::abs(middle) + 1e-9);
  const std::size_t room = columns - scale_columns;
  const std::size_t width = std::min(room, levels_w.size() * widest_step);
  std::vector<std::vector<bool>> dots(rows, std::vector<bool>(width, false));
  for (std::size_t i = 0; i < levels_w.size(); ++i) {
    const std::size_t column = (2 * i + 1) * width / (2 * levels_w.size());
    const double share = (levels_w[i] - (middle - half)) / (2.0 * half);
    const auto row = static_cast<std::size_t>(std::lround(share * static_cast<double>(rows - 1)));
    dots[rows - 1 - std::min(row, rows - 1)][column] = true;
  }
  std::vector<std::string> lines;
  for (std::size_t r = 0; r < rows; ++r) {
    std::string label;
    if (r == 0 || r + 1 == rows) label = figures::number_text(middle + (r == 0 ? half : -half), "W");
    std::string line = text::pad_left(label, scale_columns - 2) + (label.empty() ? " │" : " ┤");
    for (const bool dot : dots[r]) line += dot ? "●" : " ";
    lines.push_back(std::move(line));
  }
  return lines;
}

}  // namespace nightwatt::query
