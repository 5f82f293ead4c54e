#include "uncertainty/rounded_repeats.hpp"

#include <cmath>

#include "measure/uncertainty/distributions.hpp"

namespace nightwatt {

Repeats repeats_of(const RoundedNoise& noise, std::size_t count_number) {
  constexpr int points = 24;  // of a count: to a few thousandths
  const double rest = noise.noise * std::sqrt(1.0 - noise.correlation * noise.correlation);
  Repeats sum;
  for (std::size_t k = 0; k < count_number; ++k) {
    const double low = static_cast<double>(k) - 0.5 - noise.level;
    for (int i = 0; i < points; ++i) {
      const double x = low + (i + 0.5) / points;
      const double share =
          std::exp(-0.5 * x * x / (noise.noise * noise.noise)) / (noise.noise * std::sqrt(2.0 * M_PI)) / points;
      const double expected = noise.correlation * x;
      const double stays = normal_cdf((low + 1.0 - expected) / rest) - normal_cdf((low - expected) / rest);
      sum.equal += share * stays;
      // Before and after have nothing to do with each other once the reading between them is known.
      sum.singles += share * (1.0 - stays) * (1.0 - stays);
    }
  }
  return sum;
}

std::optional<double> correlation_of(const RoundedNoise& noise, std::size_t count_number, double equal) {
  constexpr double longest = 0.995;
  constexpr int bisections = 12;
  RoundedNoise tried = noise;
  const auto alike = [&](double correlation) {
    tried.correlation = correlation;
    return repeats_of(tried, count_number).equal;
  };
  double low = 0.0, high = longest;
  if (alike(low) >= equal || alike(high) <= equal) return std::nullopt;
  for (int i = 0; i < bisections; ++i) {
    const double middle = 0.5 * (low + high);
    (alike(middle) < equal ? low : high) = middle;
  }
  return low;
}

}  // namespace nightwatt
