#include "measure/uncertainty/distributions.hpp"

#include <boost/math/distributions/chi_squared.hpp>
#include <boost/math/distributions/normal.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <boost/math/policies/policy.hpp>
#include <cmath>
#include <limits>

namespace nightwatt {

namespace {

namespace math = boost::math;
namespace policies = boost::math::policies;

constexpr double infinity = std::numeric_limits<double>::infinity();
/// Beyond this Student's t is normal to more digits than we print.
constexpr double large_degrees_of_freedom = 1e7;

/// Doubles throughout, so that a processor with a longer type gives the same figure; nothing throws: what has no value
/// is infinite or not a number.
using Policy =
    policies::policy<policies::promote_double<false>, policies::promote_float<false>,
                     policies::domain_error<policies::ignore_error>, policies::pole_error<policies::ignore_error>,
                     policies::overflow_error<policies::ignore_error>,
                     policies::evaluation_error<policies::ignore_error>>;
using Normal = math::normal_distribution<double, Policy>;
using StudentT = math::students_t_distribution<double, Policy>;
using ChiSquared = math::chi_squared_distribution<double, Policy>;

}  // namespace

double normal_cdf(double x) {
  return math::cdf(Normal(), x);
}

double normal_quantile(double p) {
  if (!(p > 0.0)) return -infinity;
  if (!(p < 1.0)) return infinity;
  return math::quantile(Normal(), p);
}

double student_cdf(double t, double degrees_of_freedom) {
  return degrees_of_freedom > large_degrees_of_freedom ? normal_cdf(t) : math::cdf(StudentT(degrees_of_freedom), t);
}

double student_quantile(double p, double degrees_of_freedom) {
  if (!(p > 0.0)) return -infinity;
  if (!(p < 1.0)) return infinity;
  return degrees_of_freedom > large_degrees_of_freedom ? normal_quantile(p)
                                                       : math::quantile(StudentT(degrees_of_freedom), p);
}

double coverage_factor(double level, double degrees_of_freedom) {
  // From the upper tail, which keeps its digits where the level is close to one.
  const double tail = 0.5 * (1.0 - level);
  if (!(tail > 0.0)) return infinity;
  if (degrees_of_freedom > large_degrees_of_freedom) return math::quantile(math::complement(Normal(), tail));
  return math::quantile(math::complement(StudentT(degrees_of_freedom), tail));
}

double chi_squared_quantile(double p, double degrees_of_freedom) {
  if (!(p > 0.0)) return 0.0;
  if (!(p < 1.0)) return infinity;
  return math::quantile(ChiSquared(degrees_of_freedom), p);
}

double combined_uncertainty(std::span<const UncertaintyPart> parts) {
  double squares = 0.0;
  for (const UncertaintyPart& part : parts) squares += part.uncertainty * part.uncertainty;
  return std::sqrt(squares);
}

double effective_degrees_of_freedom(std::span<const UncertaintyPart> parts) {
  const double combined = combined_uncertainty(parts);
  double sum = 0.0;
  for (const UncertaintyPart& part : parts) {
    if (part.uncertainty == 0.0 || std::isinf(part.degrees_of_freedom)) continue;
    const double ratio = part.uncertainty / combined;
    sum += ratio * ratio * ratio * ratio / part.degrees_of_freedom;
  }
  return sum > 0.0 ? 1.0 / sum : infinity;
}

}  // namespace nightwatt
