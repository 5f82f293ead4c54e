#include "measure/uncertainty/mixture.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

#include "measure/uncertainty/distributions.hpp"

namespace nightwatt {

namespace {

/// Further than this many standard uncertainties from every answer nothing lies: 6e-16 of a normal distribution.
constexpr double reach = 8.0;
/// An end to 2^-50 of the reach.
constexpr int halvings = 50;
/// Shares of the tail on one side that are tried: the width is smooth in it.
constexpr int tails = 64;

class Mixture {
 public:
  explicit Mixture(std::span<const Answer> answers) : answers_(answers) {
    for (const Answer& answer : answers) {
      low_ = std::min(low_, answer.level - reach * answer.standard);
      high_ = std::max(high_, answer.level + reach * answer.standard);
      weight_ += answer.weight;
    }
  }

  /// The level below which this share lies.
  [[nodiscard]] double quantile(double share) const {
    double low = low_, high = high_;
    for (int i = 0; i < halvings; ++i) {
      const double middle = 0.5 * (low + high);
      (below(middle) < share ? low : high) = middle;
    }
    return 0.5 * (low + high);
  }

 private:
  [[nodiscard]] double below(double level) const {
    double sum = 0.0;
    for (const Answer& answer : answers_)
      sum += answer.weight * (answer.standard > 0.0 ? normal_cdf((level - answer.level) / answer.standard)
                                                    : (level >= answer.level ? 1.0 : 0.0));
    return sum / weight_;
  }

  std::span<const Answer> answers_;
  double low_ = std::numeric_limits<double>::infinity(), high_ = -low_, weight_ = 0.0;
};

}  // namespace

MixtureInterval mixture_interval(std::span<const Answer> answers) {
  const Mixture mixture(answers);
  double best_low = 0.0, best_width = std::numeric_limits<double>::infinity();
  for (int i = 0; i <= tails; ++i) {
    const double share = (1.0 - coverage_of_two) * i / tails;
    const double low = mixture.quantile(share), width = mixture.quantile(share + coverage_of_two) - low;
    if (width < best_width) best_low = low, best_width = width;
  }
  return {best_low + 0.5 * best_width, 0.5 * best_width};
}

}  // namespace nightwatt
