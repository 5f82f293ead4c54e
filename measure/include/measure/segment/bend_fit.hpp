// Finds where two straight lines that meet bend: the end of a ramp, by least squares.
#pragma once

#include <algorithm>
#include <cstddef>
#include <optional>
#include <span>

namespace nightwatt {

/// (1 + phi) / (1 - phi) of `size` residuals in two parts, phi the correlation of neighbours: how many of them are
/// worth one.
template <typename Residual>
[[nodiscard]] double inflation(std::size_t size, std::size_t split, Residual residual) {
  constexpr double highest_phi = 0.9;  // beyond, too few points tell
  double last = 0.0, same = 0.0, next = 0.0;
  for (std::size_t i = 0; i < size; ++i) {
    const double r = residual(i);
    same += r * r;
    if (i > 0 && i != split) next += r * last;
    last = r;
  }
  const double phi = same > 0.0 ? std::clamp(next / same, 0.0, highest_phi) : 0.0;
  return (1.0 + phi) / (1.0 - phi);
}

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
