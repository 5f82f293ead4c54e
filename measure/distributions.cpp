#include "measure/distributions.hpp"

#include <cmath>
#include <limits>

namespace nightwatt {

namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();
/// Beyond this Student's t is normal to more digits than we print.
constexpr double large_freedom = 1e7;
/// The continued fractions settle in a few dozen terms where they are used; more means arguments out of reach.
constexpr int term_limit = 500;
constexpr double term_tolerance = 1e-15;
constexpr double tiny = 1e-300;

/// Continued fraction of the incomplete beta function (Abramowitz & Stegun 26.5.8), by Lentz's method.
double beta_fraction(double a, double b, double x) {
  double c = 1.0;
  double d = 1.0 - (a + b) * x / (a + 1.0);
  d = 1.0 / (std::abs(d) < tiny ? tiny : d);
  double fraction = d;
  for (int m = 1; m <= term_limit; ++m) {
    for (const bool even : {true, false}) {
      const double term = even ? m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m))
                               : -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
      d = 1.0 + term * d;
      d = 1.0 / (std::abs(d) < tiny ? tiny : d);
      c = 1.0 + term / c;
      if (std::abs(c) < tiny) c = tiny;
      fraction *= d * c;
    }
    if (std::abs(d * c - 1.0) < term_tolerance) break;
  }
  return fraction;
}

/// The root of a rising function between two bounds that hold it: bisection, as exact as doubles are.
template <class Function>
double root_between(double low, double high, double target, const Function& function) {
  for (int i = 0; i < 200 && high - low > 1e-15 * (std::abs(low) + std::abs(high)); ++i) {
    const double middle = 0.5 * (low + high);
    (function(middle) < target ? low : high) = middle;
  }
  return 0.5 * (low + high);
}

}  // namespace

double normal_cdf(double x) {
  return 0.5 * std::erfc(-x / std::sqrt(2.0));
}

double normal_quantile(double p) {
  if (!(p > 0.0)) return -infinity;
  if (!(p < 1.0)) return infinity;
  const bool upper = p > 0.5;
  const double tail = upper ? 1.0 - p : p;
  // Abramowitz & Stegun 26.2.23, good to 4.5e-4; three steps of Halley's method make it exact.
  const double t = std::sqrt(-2.0 * std::log(tail));
  double x = -(t - (2.515517 + t * (0.802853 + t * 0.010328)) / (1.0 + t * (1.432788 + t * (0.189269 + t * 0.001308))));
  for (int i = 0; i < 3; ++i) {
    const double error = normal_cdf(x) - tail;
    const double step = error * std::sqrt(2.0 * M_PI) * std::exp(0.5 * x * x);
    x -= step / (1.0 + 0.5 * x * step);
  }
  return upper ? -x : x;
}

double incomplete_beta(double a, double b, double x) {
  if (!(x > 0.0)) return 0.0;
  if (!(x < 1.0)) return 1.0;
  const double factor =
      std::exp(std::lgamma(a + b) - std::lgamma(a) - std::lgamma(b) + a * std::log(x) + b * std::log1p(-x));
  if (x < (a + 1.0) / (a + b + 2.0)) return factor * beta_fraction(a, b, x) / a;
  return 1.0 - factor * beta_fraction(b, a, 1.0 - x) / b;
}

double incomplete_gamma(double a, double x) {
  if (!(x > 0.0)) return 0.0;
  const double factor = std::exp(a * std::log(x) - x - std::lgamma(a));
  if (x < a + 1.0) {  // the series
    double term = 1.0 / a, sum = term;
    for (int n = 1; n <= 100 * term_limit && term > term_tolerance * sum; ++n) sum += term *= x / (a + n);
    return factor * sum;
  }
  double b = x + 1.0 - a, c = 1.0 / tiny, d = 1.0 / b, fraction = d;  // the continued fraction
  for (int n = 1; n <= 100 * term_limit; ++n) {
    const double term = -n * (n - a);
    b += 2.0;
    d = term * d + b;
    d = 1.0 / (std::abs(d) < tiny ? tiny : d);
    c = b + term / c;
    if (std::abs(c) < tiny) c = tiny;
    fraction *= d * c;
    if (std::abs(d * c - 1.0) < term_tolerance) break;
  }
  return 1.0 - factor * fraction;
}

double student_cdf(double t, double freedom) {
  if (freedom > large_freedom) return normal_cdf(t);
  const double tail = 0.5 * incomplete_beta(0.5 * freedom, 0.5, freedom / (freedom + t * t));
  return t < 0.0 ? tail : 1.0 - tail;
}

double student_quantile(double p, double freedom) {
  if (freedom > large_freedom) return normal_quantile(p);
  if (!(p > 0.0)) return -infinity;
  if (!(p < 1.0)) return infinity;
  if (p == 0.5) return 0.0;
  // Sought below zero, where the distribution function is not near one and keeps its digits.
  const double tail = p < 0.5 ? p : 1.0 - p;
  double low = -2.0;
  while (student_cdf(low, freedom) > tail && low > -1e300) low *= 2.0;
  const double t = root_between(low, 0.0, tail, [&](double x) { return student_cdf(x, freedom); });
  return p < 0.5 ? t : -t;
}

double coverage_factor(double level, double freedom) {
  return student_quantile(0.5 + 0.5 * level, freedom);
}

double chi_squared_quantile(double p, double freedom) {
  if (!(p > 0.0)) return 0.0;
  if (!(p < 1.0)) return infinity;
  double high = freedom + 10.0;
  while (incomplete_gamma(0.5 * freedom, 0.5 * high) < p && high < 1e300) high *= 2.0;
  return root_between(0.0, high, p, [&](double x) { return incomplete_gamma(0.5 * freedom, 0.5 * x); });
}

double combined_uncertainty(std::span<const UncertaintyPart> parts) {
  double squares = 0.0;
  for (const UncertaintyPart& part : parts) squares += part.uncertainty * part.uncertainty;
  return std::sqrt(squares);
}

double effective_freedom(std::span<const UncertaintyPart> parts) {
  const double combined = combined_uncertainty(parts);
  double sum = 0.0;
  for (const UncertaintyPart& part : parts) {
    if (part.uncertainty == 0.0 || std::isinf(part.freedom)) continue;
    const double ratio = part.uncertainty / combined;
    sum += ratio * ratio * ratio * ratio / part.freedom;
  }
  return sum > 0.0 ? 1.0 / sum : infinity;
}

}  // namespace nightwatt
