#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>

#include "measure/uncertainty/display_hysteresis.hpp"
#include "measure/uncertainty/distributions.hpp"
#include "measure/uncertainty/level_budget.hpp"
#include "measure/uncertainty/mixture.hpp"
#include "uncertainty/display_hypothesis.hpp"
#include "uncertainty/display_priors.hpp"
#include "uncertainty/repeat_causes.hpp"

namespace nightwatt {

namespace {

DisplayLevel mean_of_the_time(const LevelReadings& readings) {
  DisplayLevel level;
  level.level_w = readings.time_mean_w();
  level.of_time = true;
  return level;
}

BudgetPart statistics_part(const LevelReadings& readings, double uncertainty_w) {
  return random_part(PartKind::statistics, uncertainty_w, readings.scatter().degrees_of_freedom);
}

BudgetPart scatter_part(const LevelReadings& readings) {
  return statistics_part(readings, readings.scatter().mean_uncertainty_w())
      .with(PartBasis::readings, readings.scatter().readings, readings.independent());
}

void tell_noise(DisplayLevel& level, const LevelReadings& readings) {
  if (readings.scatter().standard_deviation_w > 0.0) level.noise_w = readings.scatter().standard_deviation_w;
}

/// Statistics that are all in the display's part.
BudgetPart no_statistics(PartBasis basis) {
  BudgetPart part = systematic_part(PartKind::statistics, 0.0).with(basis);
  part.shared = false;
  return part;
}

/// The display is fine beside the noise: the mean is the level.
class FineDisplay : public DisplayHypothesis {
 public:
  [[nodiscard]] std::optional<Explanation> explain(const LevelReadings& readings) const override {
    if (readings.below_step()) return std::nullopt;
    DisplayLevel level = mean_of_the_time(readings);
    level.parts.push_back(scatter_part(readings));
    tell_noise(level, readings);
    if (const double step_w = readings.step_w(); step_w > 0.0) {
      const double deviation = readings.scatter().standard_deviation_w / step_w;
      const double noise = std::sqrt(std::max(0.0, deviation * deviation - 1.0 / 12.0));
      const double bias_w = step_w / M_PI * std::exp(-2.0 * M_PI * M_PI * noise * noise);
      level.parts.push_back(
          rectangular_part(PartKind::display_step, bias_w).with(PartBasis::averaged_out, step_w, noise * step_w));
    }
    return Explanation{0.0, level};
  }
};

/// How long each count was shown is not known, as of a meter that speaks when something changes: the whole display.
class UntimedCounts : public DisplayHypothesis {
 public:
  [[nodiscard]] std::optional<Explanation> explain(const LevelReadings& readings) const override {
    if (!readings.below_step()) return std::nullopt;
    const BudgetPart whole = rectangular_part(PartKind::display_step, 0.5 * readings.step_w())
                                 .with(PartBasis::times_not_known, readings.step_w());
    DisplayLevel level = mean_of_the_time(readings);
    level.parts = {scatter_part(readings), whole};
    tell_noise(level, readings);
    if (!readings.counts()) return Explanation{0.0, level};
    const double evidence = on_change_evidence(readings.sketch(), readings.views());
    if (!(evidence > 0.0)) return std::nullopt;
    return Explanation{evidence, level, whole};
  }
};

/// A level that creeps across counts without noise: over a whole count the errors of rounding cancel, and what is left
/// is the broken count at either end.
class CreepingLevel : public DisplayHypothesis {
 public:
  [[nodiscard]] std::optional<Explanation> explain(const LevelReadings& readings) const override {
    if (!readings.below_step() || !readings.creep()) return std::nullopt;
    const auto counts = static_cast<double>(readings.creep()->counts);
    DisplayLevel level = mean_of_the_time(readings);
    level.bounded_by_display = level.hides_slope = level.creeps = true;
    level.parts = {no_statistics(PartBasis::creeping_counts),
                   rectangular_part(PartKind::display_step, 0.5 * readings.step_w() / (counts - 1.0))
                       .with(PartBasis::broken_counts, counts)};
    return Explanation{0.0, level};
  }
};

bool stays_below_step(const LevelReadings& readings) {
  return readings.below_step() && readings.counts() && !readings.creep();
}

/// The level as the counts tell it.
DisplayLevel told_by_counts(const LevelReadings& readings, const QuantisedLevel& found) {
  const double step_w = readings.step_w();
  DisplayLevel level;
  level.level_w = found.level * step_w;
  if (found.noise > 0.0) level.noise_w = found.noise * step_w;
  const double t = coverage_factor(0.95, readings.scatter().degrees_of_freedom);
  level.parts = {
      statistics_part(readings, found.half_width * step_w / t)
          .with(PartBasis::readings_behind_step, readings.scatter().readings, readings.independent(), step_w),
      rectangular_part(PartKind::display_step, 0.0).with(PartBasis::told_by_counts)};
  return level;
}

/// Gaussian noise behind the step, which three counts or more tell from the level.
class NoiseBehindStep : public DisplayHypothesis {
 public:
  [[nodiscard]] std::optional<Explanation> explain(const LevelReadings& readings) const override {
    if (!stays_below_step(readings) || !readings.behind_counts().separated) return std::nullopt;
    const QuantisedLevel& found = readings.behind_counts();
    return Explanation{0.0, told_by_counts(readings, found)};
  }
};

/// A meter that adds an even step of noise itself before it rounds: the mean of its counts is the level.
class DitheringMeter : public DisplayHypothesis {
 public:
  [[nodiscard]] std::optional<Explanation> explain(const LevelReadings& readings) const override {
    // Its prior needs odds of twelve to be of account, and counts that Gaussian noise explains do not give them.
    constexpr double least_misfit = 4.0;
    if (!stays_below_step(readings) || readings.behind_counts().misfit < least_misfit) return std::nullopt;
    const QuantisedLevel& found = readings.behind_dither();
    if (!found.separated) return std::nullopt;
    return Explanation{
        readings.dither_evidence(), told_by_counts(readings, found),
        systematic_part(PartKind::dithering_display, 0.0).with(PartBasis::other_noise, readings.step_w())};
  }
};

/// A display that stands still: its whole step.
class OneCount : public DisplayHypothesis {
 public:
  [[nodiscard]] std::optional<Explanation> explain(const LevelReadings& readings) const override {
    if (!stays_below_step(readings) || !readings.behind_counts().hard) return std::nullopt;
    const QuantisedLevel& found = readings.behind_counts();
    const double step_w = readings.step_w();
    DisplayLevel level;
    level.level_w = found.level * step_w;
    level.bounded_by_display = level.hides_slope = true;
    level.parts = {
        no_statistics(PartBasis::undecided_counts),
        rectangular_part(PartKind::display_step, found.half_width * step_w).with(PartBasis::whole_step, step_w)};
    return Explanation{0.0, level};
  }
};

/// The counts do not tell level and noise apart: every level that some noise makes likely. Noise need not be Gaussian:
/// a meter that dithers by itself shows the level as its mean, and the interval holds that too.
class UndecidedCounts : public DisplayHypothesis {
 public:
  [[nodiscard]] std::optional<Explanation> explain(const LevelReadings& readings) const override {
    if (!stays_below_step(readings)) return std::nullopt;
    const QuantisedLevel& found = readings.behind_counts();
    if (found.separated || found.hard) return std::nullopt;
    const double step_w = readings.step_w();
    const double middle_w = found.level * step_w, half_w = found.half_width * step_w;
    const double mean_w = readings.time_mean_w(), unsure_w = readings.scatter().expanded_w();
    const double low = mean_w < middle_w ? std::min(middle_w - half_w, mean_w - unsure_w) : middle_w - half_w;
    const double high = mean_w > middle_w ? std::max(middle_w + half_w, mean_w + unsure_w) : middle_w + half_w;
    DisplayLevel level;
    level.level_w = 0.5 * (low + high);
    level.bounded_by_display = level.hides_slope = true;
    // Its ends are limits of 95 % and no rectangle's edges (GUM 4.3.4).
    level.parts = {no_statistics(PartBasis::undecided_counts),
                   systematic_part(PartKind::display_step, 0.5 * (high - low) / 2.0)
                       .with(found.gaussian ? PartBasis::two_counts : PartBasis::other_noise, step_w)};
    return Explanation{0.0, level};
  }
};

/// A display that moves only when the power is past a count's edge by part of a count repeats itself more than chance
/// does. Slow noise does so too, and a meter that holds its readings; how many readings stand alone tells them apart,
/// more or less.
class HystereticDisplay : public DisplayHypothesis {
 public:
  [[nodiscard]] std::optional<Explanation> explain(const LevelReadings& readings) const override {
    if (!stays_below_step(readings) || !readings.behind_counts().separated || readings.groups().size() != 1)
      return std::nullopt;
    const TieStatistics& repeats = readings.sketch().repeats();
    if (repeats.pairs < fewest_pairs || repeats.equal >= repeats.pairs) return std::nullopt;
    const auto pairs = static_cast<double>(repeats.pairs);
    const Repeats seen{static_cast<double>(repeats.equal) / pairs, static_cast<double>(repeats.singles) / pairs};
    const std::vector<double> shares = shares_of(readings.groups()[0].counts);
    if (!repeats_itself(shares, seen.equal, pairs)) return std::nullopt;
    const auto found = display_hysteresis({shares, seen.equal, seen.singles});
    if (!found) return std::nullopt;
    // Few stays tell its hysteresis badly: as much more of it as is two deviations of their length.
    const double stays = 0.5 * (1.0 - seen.equal) * pairs;
    const auto most =
        display_hysteresis({shares, 1.0 - (1.0 - seen.equal) * (1.0 - 2.0 / std::sqrt(stays + 4.0)), seen.singles});
    const double far = most && std::abs(most->off) > std::abs(found->off) ? most->off : found->off;
    return Explanation{log_evidence_of(readings, *found, seen, pairs),
                       level_of(readings, *found, std::abs(far - found->off) * readings.step_w()),
                       systematic_part(PartKind::sticking_display, 0.0).with(PartBasis::repeats, found->past_edge)};
  }

 private:
  static constexpr std::int64_t fewest_pairs = 200;

  static std::vector<double> shares_of(std::vector<double> counts) {
    double n = 0.0;
    for (const double count : counts) n += count;
    for (double& count : counts) count /= n;
    return counts;
  }

  static bool repeats_itself(const std::vector<double>& shares, double equal, double pairs) {
    constexpr double least_sigmas = 3.0;
    double chance = 0.0;
    for (const double share : shares) chance += share * share;
    // Of changes by chance: as of the runs in a row of throws (Wald & Wolfowitz 1940, from memory).
    const double by_chance = (1.0 - chance) / std::sqrt(pairs) + 1.0 / pairs;
    return equal - chance >= least_sigmas * by_chance;
  }

  /// Beside a display that rounds, all of whose noises repeat themselves as often.
  static double log_evidence_of(const LevelReadings& readings, const DisplayHysteresis& found, const Repeats& shares,
                                double pairs) {
    const CountGroup& group = readings.groups()[0];
    const QuantisedLevel& behind = readings.behind_counts();
    SeenRepeats seen;
    seen.shares = shares;
    seen.pairs = pairs;
    seen.noise = RoundedNoise{behind.likeliest - static_cast<double>(group.lowest), behind.noise};
    seen.count_number = group.counts.size();
    double rounds = 0.0;
    for (const RepeatCause& cause : causes_where_it_rounds(seen)) rounds += cause.weight;
    return std::log(std::max(cause_where_it_sticks(seen, found).weight, 1e-300) / rounds);
  }

  static DisplayLevel level_of(const LevelReadings& readings, const DisplayHysteresis& found, double unsure_w) {
    DisplayLevel level = NoiseBehindStep().explain(readings)->level;
    level.level_w += found.off * readings.step_w();
    level.noise_w = found.noise * readings.step_w();
    level.parts.push_back(
        systematic_part(PartKind::sticking_display, 0.5 * unsure_w).with(PartBasis::repeats, found.past_edge));
    return level;
  }
};

double expanded(const DisplayLevel& level, double k) {
  double squares = 0.0;
  for (const BudgetPart& part : level.parts) squares += part.uncertainty_w * part.uncertainty_w;
  return k * std::sqrt(squares);
}

}  // namespace

std::span<const ListedHypothesis> display_hypotheses() {
  static const FineDisplay fine;
  static const UntimedCounts untimed;
  static const CreepingLevel creeps;
  static const OneCount one;
  static const UndecidedCounts undecided;
  static const NoiseBehindStep noise;
  static const DitheringMeter dithers;
  static const HystereticDisplay sticks;
  // Fine, creeping, one count, undecided counts and noise behind the step are the usual display in situations that
  // exclude each other.
  static const std::array<ListedHypothesis, 8> all = {{{&fine, display_prior::usual},
                                                       {&untimed, display_prior::on_change},
                                                       {&creeps, display_prior::usual},
                                                       {&one, display_prior::usual},
                                                       {&undecided, display_prior::usual},
                                                       {&noise, display_prior::usual},
                                                       {&dithers, display_prior::dithers},
                                                       {&sticks, display_prior::sticks}}};
  return all;
}

void widen_to(DisplayLevel& level, double posterior, double k, std::span<const OtherAnswer> others,
              BudgetPart difference) {
  const double own_w = expanded(level, k);
  std::vector<Answer> answers = {{posterior, level.level_w, 0.5 * own_w}};
  for (const OtherAnswer& other : others) answers.push_back({other.posterior, other.level_w, 0.5 * other.expanded_w});
  const MixtureInterval both = mixture_interval(answers);
  level.level_w = both.middle;
  difference.uncertainty_w = 0.5 * std::sqrt(std::max(0.0, both.half_width * both.half_width - own_w * own_w));
  level.parts.push_back(difference);
}

DisplayLevel level_behind_display(const LevelReadings& readings) {
  struct Weighed {
    double log_weight;
    Explanation found;
  };
  std::vector<Weighed> all;
  for (const ListedHypothesis& one : display_hypotheses())
    if (auto found = one.hypothesis->explain(readings))
      all.push_back({std::log(one.prior) + found->log_evidence, std::move(*found)});
  // The likeliest first: it gives the parts; of two alike the first listed.
  std::stable_sort(all.begin(), all.end(),
                   [](const Weighed& a, const Weighed& b) { return a.log_weight > b.log_weight; });
  const auto weight = [&](const Weighed& one) { return std::exp(one.log_weight - all.front().log_weight); };
  double sum = 0.0, held = 1.0;
  for (const Weighed& one : all) sum += weight(one);
  DisplayLevel level = all.front().found.level;
  std::optional<BudgetPart> doubt = all.front().found.doubt;
  const double k = coverage_factor(readings.scatter().degrees_of_freedom);
  std::vector<OtherAnswer> others;
  for (auto other = all.begin() + 1; other != all.end() && held < coverage_of_two * sum; ++other) {
    others.push_back({weight(*other), other->found.level.level_w, expanded(other->found.level, k)});
    held += weight(*other);
    if (!doubt) doubt = other->found.doubt;
  }
  if (!others.empty() && doubt) widen_to(level, 1.0, k, others, *doubt);
  return level;
}

}  // namespace nightwatt
