// Text and numbers as HTML and SVG want them.
#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "measure/run/summary.hpp"

namespace nightwatt::report {

/// Safe between tags and within quoted attributes, whatever the text is.
[[nodiscard]] std::string html(std::string_view text);
/// Safe within a <script> of data: no character of JSON text that HTML or an old script parser would take for its own.
[[nodiscard]] std::string script_safe(std::string_view json);
/// `12.345`, three decimals at most.
[[nodiscard]] std::string plain(double number);
/// `12.345%`
[[nodiscard]] std::string percent(double share);

/// The two halves of `25.02 ± 0.21`.
struct FigureWords {
  std::string value, uncertainty;
};
[[nodiscard]] FigureWords figure_words(const std::optional<Figure>& figure);

/// Marks of an axis from 0 (or below) to `top`: round numbers.
struct Axis {
  double bottom = 0.0, top = 1.0, step = 1.0;
  [[nodiscard]] double share(double value) const { return (value - bottom) / (top - bottom); }
};
[[nodiscard]] Axis axis_for(double lowest, double highest);
/// The same within a range that need not begin at 0: the round numbers that lie in it.
[[nodiscard]] Axis axis_within(double low, double high);

}  // namespace nightwatt::report
