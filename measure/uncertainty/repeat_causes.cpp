#include "uncertainty/repeat_causes.hpp"

#include <algorithm>
#include <cmath>

#include "uncertainty/display_priors.hpp"

namespace nightwatt {

namespace {

/// How likely such a share of single readings is where so many are expected.
double density(double singles, double expected, double pairs) {
  // Singles come in rows, which makes their number scatter more than counts by chance; and no noise is quite what the
  // model says.
  constexpr double clustering = 1.5, model_share = 0.1;
  const double spread =
      std::sqrt(clustering * (expected + 1.0 / pairs) / pairs + model_share * model_share * expected * expected);
  const double off = (singles - expected) / spread;
  return std::exp(-0.5 * off * off) / (spread * std::sqrt(2.0 * M_PI));
}

double changes(const SeenRepeats& seen) {
  return 1.0 - seen.shares.equal;
}

/// A meter that holds its readings changes only where it has a new one, and hardly ever twice in a row.
RepeatCause held_readings(const SeenRepeats& seen) {
  constexpr double singles_where_held = 0.02;  // of the changes, on average
  const double held = singles_where_held * changes(seen);
  return {display_prior::holds * std::exp(-seen.shares.singles / held) / held,
          std::max(1.0, (1.0 - seen.chance) / changes(seen))};
}

/// The number of single readings is not reckoned: each is as likely as another.
RepeatCause chance(const SeenRepeats& seen) {
  return {(display_prior::first_order_noise + display_prior::other_slow_noise) / changes(seen), 1.0};
}

RepeatCause other_slow_noise(const SeenRepeats& seen) {
  return {display_prior::other_slow_noise / changes(seen), std::nullopt};
}

std::optional<RepeatCause> first_order_noise(const SeenRepeats& seen) {
  if (!seen.noise) return std::nullopt;
  RoundedNoise noise = *seen.noise;
  const auto correlation = correlation_of(noise, seen.count_number, seen.shares.equal);
  if (!correlation) return std::nullopt;
  noise.correlation = *correlation;
  const double expected = repeats_of(noise, seen.count_number).singles;
  return RepeatCause{display_prior::first_order_noise * density(seen.shares.singles, expected, seen.pairs),
                     (1.0 + *correlation) / (1.0 - *correlation)};
}

}  // namespace

std::vector<RepeatCause> causes_where_it_rounds(const SeenRepeats& seen) {
  if (seen.by_chance) return {chance(seen), held_readings(seen)};
  std::vector<RepeatCause> causes = {other_slow_noise(seen), held_readings(seen)};
  if (const auto cause = first_order_noise(seen)) causes.push_back(*cause);
  return causes;
}

RepeatCause cause_where_it_sticks(const SeenRepeats& seen, const DisplayHysteresis& sticks) {
  return {density(seen.shares.singles, sticks.singles, seen.pairs), std::max(1.0, sticks.inflation)};
}

}  // namespace nightwatt
