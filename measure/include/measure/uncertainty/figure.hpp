// A quoted number: a value and how unsure it is.
#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "measure/uncertainty/level_parts.hpp"

namespace nightwatt {

struct Figure {
  double value = 0.0;
  double uncertainty = 0.0;              ///< expanded, k = 2
  std::optional<LevelParts> parts = {};  ///< of it, where they are known
  double finest = 0.0;  ///< figure_text() shows no digit that is worth less; 0: as its uncertainty asks
};

/// What is known of the meter that a figure is from, as far as its print goes.
struct Shown {
  double step_w = 0.0;          ///< of the display; 0 while unknown
  bool accuracy_known = false;  ///< the meter's accuracy, by its maker or by a calibration
};
/// What the last digit in print should be worth at least. A display of whole watts gives no hundredths, unless readings
/// or a counter made the figure surer than a tenth of its step. Of a meter whose promise is not known no digit below a
/// tenth of a step and a thousandth of the value is shown: better is promised by none (IEC 62053-22:2020, its finest
/// class is 0.1 S; from memory), whatever the scatter of the readings.
[[nodiscard]] double finest_digit(const Figure& figure, const Shown& meter);

/// `25.02 ± 0.21 W`: value rounded to its uncertainty, two significant digits of uncertainty (GUM 7.2.6), fewer where
/// `finest` says so.
[[nodiscard]] std::string figure_text(const Figure& figure, std::string_view unit);

}  // namespace nightwatt
