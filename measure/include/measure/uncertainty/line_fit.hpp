// A straight line through points by ordinary least squares, with the uncertainty of all it says (GUM H.3).
#pragma once

#include <optional>
#include <span>

namespace nightwatt {

struct LineFit {
  double intercept = 0.0;  ///< at x = 0
  double slope = 0.0;
  double intercept_standard_deviation = 0.0;  ///< standard uncertainties, from the residuals taken as independent
  double slope_standard_deviation = 0.0;
  double correlation = 0.0;                  ///< of intercept and slope
  double residual_standard_deviation = 0.0;  ///< divisor n - 2
  double residual_squares = 0.0;
  double degrees_of_freedom = 0.0;  ///< n - 2
  double r_squared = 0.0;
  double f_statistic = 0.0;  ///< mean square of the regression over that of the residuals

  [[nodiscard]] double at(double x) const { return intercept + slope * x; }
  /// Standard uncertainty of at(x).
  [[nodiscard]] double standard_deviation_at(double x) const;
};

/// nullopt below three points or where all x are equal. x and y have the same size.
[[nodiscard]] std::optional<LineFit> fit_line(std::span<const double> x, std::span<const double> y);

}  // namespace nightwatt
