// A straight line or a parabola through points with errors in both coordinates, covariances counted.
#pragma once

#include <optional>
#include <vector>

#include "measure/signal/matrix.hpp"

namespace nightwatt {

/// Points (x_i, y_i); covariances between all x, between all y, and of each x with each y (rows x, columns y; empty:
/// none).
struct UncertainPoints {
  std::vector<double> x, y;
  Matrix x_covariance, y_covariance, cross_covariance;
};

struct CurveFit {
  std::vector<double> coefficients;  ///< of 1, x, x^2
  Matrix covariance;                 ///< of them
  std::vector<double> adjusted_x;    ///< where the fit puts the points
  std::vector<double> residuals;     ///< y - curve(x)
  double chi_squared = 0.0;          ///< least weighted sum of squares
  double degrees_of_freedom = 0.0;   ///< points less coefficients

  [[nodiscard]] double at(double x) const;
  [[nodiscard]] double slope_at(double x) const;
  /// Standard uncertainty of at(x), x taken as exact.
  [[nodiscard]] double standard_deviation_at(double x) const;
};

/// Generalised least squares by Gauss-Newton on the adjusted points (ISO/TS 28037:2010 clause 10 for the line, from
/// memory; York et al. 2004, doi 10.1119/1.1632486, is its case of independent points). `degree`: 1 or 2. nullopt where
/// there are fewer points than coefficients, all x are equal, or a matrix given is no covariance.
[[nodiscard]] std::optional<CurveFit> fit_curve(const UncertainPoints& points, int degree);

}  // namespace nightwatt
