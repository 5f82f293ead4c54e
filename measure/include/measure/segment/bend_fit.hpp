// Finds where two straight lines that meet bend: the end of a ramp, by least squares.
#pragma once

#include <optional>
#include <span>

namespace nightwatt {

struct BendShape {
  bool flat_before = false;  ///< the first line is a level
  bool flat_after = false;   ///< the second is
};

struct BendFit {
  double at = 0.0;  ///< x of the bend
  /// Every bend whose likelihood is within k = 2 of the best, the residuals' correlation of neighbours counted.
  double at_low = 0.0;
  double at_high = 0.0;
  double level = 0.0;  ///< y at the bend
  double slope_before = 0.0;
  double slope_after = 0.0;
  double residual_squares = 0.0;
  double inflation = 1.0;  ///< (1 + phi) / (1 - phi) of the residuals: how many of them are worth one
};

/// y = level + slope_before min(0, x - at) + slope_after max(0, x - at) through points whose x rise. nullopt for fewer
/// than six points. `least_variance`: of one y, of a display step for instance.
[[nodiscard]] std::optional<BendFit> fit_bend(std::span<const double> x, std::span<const double> y, BendShape shape,
                                              double least_variance);

}  // namespace nightwatt
