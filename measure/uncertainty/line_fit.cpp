#include "measure/uncertainty/line_fit.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

#include "measure/signal/running_sum.hpp"

namespace nightwatt {

double LineFit::standard_deviation_at(double x) const {
  const double variance = intercept_standard_deviation * intercept_standard_deviation +
                          x * x * slope_standard_deviation * slope_standard_deviation +
                          2.0 * x * intercept_standard_deviation * slope_standard_deviation * correlation;
  return std::sqrt(std::max(0.0, variance));
}

std::optional<LineFit> fit_line(std::span<const double> x, std::span<const double> y) {
  const std::size_t size = std::min(x.size(), y.size());
  if (size < 3) return std::nullopt;
  const auto n = static_cast<double>(size);
  RunningSum sum_x, sum_y;
  for (std::size_t i = 0; i < size; ++i) {
    sum_x.add(x[i]);
    sum_y.add(y[i]);
  }
  const double mean_x = sum_x.value() / n;
  const double mean_y = sum_y.value() / n;
  RunningSum xx, xy;  // about the means: nothing cancels
  for (std::size_t i = 0; i < size; ++i) {
    xx.add((x[i] - mean_x) * (x[i] - mean_x));
    xy.add((x[i] - mean_x) * (y[i] - mean_y));
  }
  if (!(xx.value() > 0.0)) return std::nullopt;
  LineFit fit;
  fit.slope = xy.value() / xx.value();
  fit.intercept = mean_y - fit.slope * mean_x;
  RunningSum residuals, regression;
  for (std::size_t i = 0; i < size; ++i) {
    const double explained = fit.slope * (x[i] - mean_x);
    const double residual = (y[i] - mean_y) - explained;
    residuals.add(residual * residual);
    regression.add(explained * explained);
  }
  fit.degrees_of_freedom = n - 2.0;
  fit.residual_squares = residuals.value();
  fit.residual_standard_deviation = std::sqrt(fit.residual_squares / fit.degrees_of_freedom);
  fit.slope_standard_deviation = fit.residual_standard_deviation / std::sqrt(xx.value());
  fit.intercept_standard_deviation =
      fit.residual_standard_deviation * std::sqrt(1.0 / n + mean_x * mean_x / xx.value());
  fit.correlation = -mean_x / std::sqrt(xx.value() / n + mean_x * mean_x);
  const double total = fit.residual_squares + regression.value();
  fit.r_squared = total > 0.0 ? regression.value() / total : 1.0;
  const double residual_mean_square = fit.residual_squares / fit.degrees_of_freedom;
  fit.f_statistic =
      residual_mean_square > 0.0 ? regression.value() / residual_mean_square : std::numeric_limits<double>::infinity();
  return fit;
}

}  // namespace nightwatt
