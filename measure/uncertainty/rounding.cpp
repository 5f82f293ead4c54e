#include "uncertainty/rounding.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "measure/uncertainty/distributions.hpp"
#include "uncertainty/display_priors.hpp"

namespace nightwatt {

namespace {

/// What a display does with the digits it does not show.
struct RoundingPrior {
  double prior;
  double offset_steps;  ///< added to the level
};
constexpr std::array rounding_priors = {RoundingPrior{display_prior::rounds_off, 0.0},
                                        RoundingPrior{display_prior::cuts_off, 0.5}};

/// How likely it is that one of the two is wrong, by a scale or a clock, and so that they lie apart by this much and no
/// other step: 1 % in 100 steps either way (from common practice, no source).
constexpr double contradiction_per_step = 0.01 / 200.0;

/// How likely the power readings are to lie this far from the counter: rectangular parts and the rest.
double likelihood_of(double apart_w, const DisplayLevel& power, double step_w, double counter_u) {
  double half_width_w = 0.0, squares = counter_u * counter_u;
  for (const BudgetPart& part : power.parts)
    if (part.rectangular)
      half_width_w += part.uncertainty_w * std::sqrt(3.0);
    else
      squares += part.uncertainty_w * part.uncertainty_w;
  // Below this share of a step nothing is known of a display: a likelihood may be small and is never 0.
  constexpr double least_steps = 0.01;
  const double s = std::max(std::sqrt(squares), least_steps * step_w);
  const double w = std::max(half_width_w, least_steps * step_w);
  return (normal_cdf((apart_w + w) / s) - normal_cdf((apart_w - w) / s)) / (2.0 * w);
}

/// The likeliest first, as many as hold coverage_of_two.
std::vector<RoundingAnswer> posterior(const DisplayLevel& power, double step_w, const CounterLevel& counter) {
  std::vector<RoundingAnswer> answers;
  double sum = 0.0;
  for (const RoundingPrior& one : rounding_priors) {
    const double offset_w = one.offset_steps * step_w;
    const double apart_w = counter.level_w - power.level_w - offset_w;
    answers.push_back({one.prior * likelihood_of(apart_w, power, step_w, counter.uncertainty_w), offset_w});
    sum += answers.back().posterior;
  }
  if (!(sum * step_w > contradiction_per_step)) return {{1.0, 0.0}};
  std::sort(answers.begin(), answers.end(),
            [](const RoundingAnswer& a, const RoundingAnswer& b) { return a.posterior > b.posterior; });
  double held = 0.0;
  std::size_t kept = 0;
  while (kept < answers.size() && held < coverage_of_two) held += (answers[kept++].posterior /= sum);
  answers.resize(kept);
  return answers;
}

}  // namespace

std::vector<RoundingAnswer> rounding_beside(const CounterLevel& counter, const DisplayLevel& level,
                                            const LevelReadings& readings) {
  if (readings.rounding() != Rounding::not_told || !(readings.step_w() > 0.0)) return {{1.0, 0.0}};
  return posterior(level, readings.step_w(), counter);
}

}  // namespace nightwatt
