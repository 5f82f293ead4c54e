#include "measure/uncertainty/errors_in_both.hpp"

#include <algorithm>
#include <cmath>

namespace nightwatt {

namespace {

/// Steps of Gauss and Newton: a dozen do for points near a line; more, and the points are near none.
constexpr int step_limit = 200;
constexpr double step_tolerance = 1e-10;

double value_of(const std::vector<double>& coefficients, double x) {
  double sum = 0.0;
  for (std::size_t i = coefficients.size(); i-- > 0;) sum = sum * x + coefficients[i];
  return sum;
}

double slope_of(const std::vector<double>& coefficients, double x) {
  double sum = 0.0;
  for (std::size_t i = coefficients.size(); i-- > 1;) sum = sum * x + static_cast<double>(i) * coefficients[i];
  return sum;
}

class Fitter {
 public:
  Fitter(const UncertainPoints& points, int degree)
      : points_(points), n_(points.x.size()), p_(static_cast<std::size_t>(degree) + 1) {}

  std::optional<CurveFit> run() {
    fit_.adjusted_x = points_.x;
    fit_.coefficients.assign(p_, 0.0);
    for (int step = 0; step < step_limit; ++step) {
      const auto moved = improve();
      if (!moved) return std::nullopt;
      // The first step comes from no curve at all.
      if (step > 1 && *moved < step_tolerance) break;
    }
    for (std::size_t i = 0; i < n_; ++i)
      fit_.residuals.push_back(points_.y[i] - value_of(fit_.coefficients, points_.x[i]));
    fit_.degrees_of_freedom = static_cast<double>(n_) - static_cast<double>(p_);
    return fit_;
  }

 private:
  [[nodiscard]] double cross(std::size_t i, std::size_t j) const {
    return points_.cross_covariance.rows() == n_ ? points_.cross_covariance(i, j) : 0.0;
  }

  /// Of y - curve(x) about the adjusted points, where the curve is its tangent.
  [[nodiscard]] Matrix residual_covariance(const std::vector<double>& slopes) const {
    Matrix v(n_, n_);
    for (std::size_t i = 0; i < n_; ++i)
      for (std::size_t j = 0; j < n_; ++j)
        v(i, j) = points_.y_covariance(i, j) + slopes[i] * points_.x_covariance(i, j) * slopes[j] -
                  slopes[i] * cross(i, j) - cross(j, i) * slopes[j];
    return v;
  }

  /// By how much the coefficients moved, as a share of their own uncertainties.
  std::optional<double> improve() {
    std::vector<double> slopes, left;
    for (std::size_t i = 0; i < n_; ++i) {
      const double at = fit_.adjusted_x[i];
      slopes.push_back(slope_of(fit_.coefficients, at));
      left.push_back(points_.y[i] - value_of(fit_.coefficients, at) - slopes[i] * (points_.x[i] - at));
    }
    const auto triangle = cholesky(residual_covariance(slopes));
    if (!triangle) return std::nullopt;
    Matrix whitened(n_, p_);
    for (std::size_t j = 0; j < p_; ++j) {
      std::vector<double> column;
      for (const double at : fit_.adjusted_x) column.push_back(std::pow(at, static_cast<double>(j)));
      column = half_solve(*triangle, std::move(column));
      for (std::size_t i = 0; i < n_; ++i) whitened(i, j) = column[i];
    }
    const auto step = normal_equations(whitened, half_solve(*triangle, left));
    if (!step) return std::nullopt;
    return take(*step, slopes, left, *triangle);
  }

  std::optional<std::vector<double>> normal_equations(const Matrix& whitened, const std::vector<double>& left) {
    // Columns of very different size (1, x, x^2) are brought to one first.
    std::vector<double> size(p_, 0.0), right(p_, 0.0);
    for (std::size_t j = 0; j < p_; ++j) {
      for (std::size_t i = 0; i < n_; ++i) size[j] += whitened(i, j) * whitened(i, j);
      size[j] = std::sqrt(size[j]);
      if (!(size[j] > 0.0)) return std::nullopt;
    }
    Matrix normal(p_, p_);
    for (std::size_t a = 0; a < p_; ++a) {
      for (std::size_t i = 0; i < n_; ++i) right[a] += whitened(i, a) * left[i] / size[a];
      for (std::size_t b = 0; b < p_; ++b)
        for (std::size_t i = 0; i < n_; ++i) normal(a, b) += whitened(i, a) * whitened(i, b) / (size[a] * size[b]);
    }
    const auto triangle = cholesky(normal);
    if (!triangle) return std::nullopt;
    constexpr double nearly_singular = 1e-7;
    for (std::size_t a = 0; a < p_; ++a)
      if ((*triangle)(a, a) < nearly_singular) return std::nullopt;
    fit_.covariance = inverse(*triangle);
    std::vector<double> step = solve(*triangle, right);
    for (std::size_t a = 0; a < p_; ++a) {
      step[a] /= size[a];
      for (std::size_t b = 0; b < p_; ++b) fit_.covariance(a, b) /= size[a] * size[b];
    }
    return step;
  }

  double take(const std::vector<double>& step, const std::vector<double>& slopes, std::vector<double> left,
              const Matrix& triangle) {
    double moved = 0.0;
    for (std::size_t a = 0; a < p_; ++a) {
      moved = std::max(moved, std::abs(step[a]) / std::sqrt(fit_.covariance(a, a)));
      fit_.coefficients[a] += step[a];
    }
    for (std::size_t i = 0; i < n_; ++i) left[i] -= value_of(step, fit_.adjusted_x[i]);
    const std::vector<double> pull = solve(triangle, left);
    fit_.chi_squared = 0.0;
    for (std::size_t i = 0; i < n_; ++i) fit_.chi_squared += left[i] * pull[i];
    for (std::size_t i = 0; i < n_; ++i) {
      double by = 0.0;
      for (std::size_t j = 0; j < n_; ++j) by += (points_.x_covariance(i, j) * slopes[j] - cross(i, j)) * pull[j];
      fit_.adjusted_x[i] = points_.x[i] + by;
    }
    return moved;
  }

  const UncertainPoints& points_;
  const std::size_t n_, p_;
  CurveFit fit_;
};

}  // namespace

double CurveFit::at(double x) const {
  return value_of(coefficients, x);
}

double CurveFit::slope_at(double x) const {
  return slope_of(coefficients, x);
}

double CurveFit::standard_deviation_at(double x) const {
  double variance = 0.0;
  for (std::size_t a = 0; a < coefficients.size(); ++a)
    for (std::size_t b = 0; b < coefficients.size(); ++b)
      variance += std::pow(x, static_cast<double>(a)) * covariance(a, b) * std::pow(x, static_cast<double>(b));
  return std::sqrt(std::max(0.0, variance));
}

std::optional<CurveFit> fit_curve(const UncertainPoints& points, int degree) {
  const std::size_t n = points.x.size();
  if (degree < 1 || degree > 2 || n < static_cast<std::size_t>(degree) + 1 || points.y.size() != n ||
      points.x_covariance.rows() != n || points.y_covariance.rows() != n)
    return std::nullopt;
  return Fitter(points, degree).run();
}

}  // namespace nightwatt
