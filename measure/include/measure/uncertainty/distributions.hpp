// Normal, Student and chi-squared distributions, and the degrees of freedom of a combined uncertainty.
#pragma once

#include <span>

namespace nightwatt {

/// The share of a distribution within two standard deviations: what coverage factor k = 2 stands for.
inline constexpr double coverage_of_two = 0.954499736103642;

[[nodiscard]] double normal_cdf(double x);
/// p in (0, 1); infinite outside.
[[nodiscard]] double normal_quantile(double p);

/// Student's t: `degrees_of_freedom` > 0, need not be whole; infinite is normal.
[[nodiscard]] double student_cdf(double t, double degrees_of_freedom);
[[nodiscard]] double student_quantile(double p, double degrees_of_freedom);
/// The coverage factor of a two-sided interval that holds `level` (0.95).
[[nodiscard]] double coverage_factor(double level, double degrees_of_freedom);

[[nodiscard]] double chi_squared_quantile(double p, double degrees_of_freedom);

/// One part of a combined uncertainty: sensitivity times standard uncertainty, and its degrees of freedom.
struct UncertaintyPart {
  double uncertainty = 0.0;
  double degrees_of_freedom = 0.0;  ///< infinite where the uncertainty is itself certain
};
/// Root of the sum of squares (GUM 5.1.2).
[[nodiscard]] double combined_uncertainty(std::span<const UncertaintyPart> parts);
/// Welch-Satterthwaite (GUM G.2b), not yet cut to a whole number; infinite where no part has finite freedom.
[[nodiscard]] double effective_degrees_of_freedom(std::span<const UncertaintyPart> parts);

}  // namespace nightwatt
