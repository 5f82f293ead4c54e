#include "uncertainty/counter_level.hpp"

#include <algorithm>
#include <cmath>

#include "uncertainty/rounding.hpp"

namespace nightwatt {

namespace {

/// Sums over pairs of ticks that follow each other within the quoted part.
struct Ticks {
  double energy_uwh = 0.0;
  double time_s = 0.0;
  int chains = 0;  ///< unbroken rows of ticks
};

Ticks ticks_of(const std::vector<BinView>& views) {
  Ticks sums;
  const CounterTick* last = nullptr;
  bool chained = false;
  for (const BinView& view : views) {
    if (view.broken_before) last = nullptr;
    if (!view.bin->tick) continue;
    const CounterTick& tick = *view.bin->tick;
    const bool follows = last != nullptr && !tick.broken && tick.at_us > last->at_us;
    if (follows) {
      sums.energy_uwh += static_cast<double>(tick.energy_uwh - last->energy_uwh);
      sums.time_s += static_cast<double>(tick.at_us - last->at_us) * 1e-6;
      if (!chained) ++sums.chains;
    }
    chained = follows;
    last = &tick;
  }
  return sums;
}

/// What the counter does not cover of the time may have had another mean.
double beyond_the_ticks(const LevelReadings& readings, double covered_s, bool drifts) {
  const double whole_s = readings.covered_s();
  const double uncovered = whole_s > 0.0 ? std::clamp(1.0 - covered_s / whole_s, 0.0, 1.0) : 1.0;
  const double drifted = drifts ? std::abs(readings.scatter().slope_w_per_s) * whole_s * uncovered / 2.0 : 0.0;
  return std::hypot(readings.scatter().mean_uncertainty_w() * std::sqrt(uncovered / std::max(1e-9, 1.0 - uncovered)),
                    drifted);
}

double combined(const std::vector<BudgetPart>& parts) {
  double squares = 0.0;
  for (const BudgetPart& part : parts) squares += part.uncertainty_w * part.uncertainty_w;
  return std::sqrt(squares);
}

/// By weights of 1/u^2.
double share_of(double counter_u, double power_u) {
  if (!(power_u > 0.0)) return 0.0;
  if (!(counter_u > 0.0)) return 1.0;
  const double power_weight = 1.0 / (power_u * power_u), counter_weight = 1.0 / (counter_u * counter_u);
  return counter_weight / (power_weight + counter_weight);
}

CounterJoin join_weighted(DisplayLevel& level, const CounterLevel& counter) {
  const double power_u = combined(level.parts);
  const double apart = counter.level_w - level.level_w;
  const double share = share_of(counter.uncertainty_w, power_u);
  CounterJoin join{share, {}};
  const bool disagree = std::abs(apart) > 2.0 * std::hypot(power_u, counter.uncertainty_w);
  if (disagree) join.warnings.push_back({WarningKind::counter_disagrees, {counter.level_w, level.level_w}});
  level.level_w += share * apart;
  for (BudgetPart& part : level.parts) part.uncertainty_w *= 1.0 - share;
  if (share > 0.5) level.bounded_by_display = false;
  BudgetPart part = systematic_part(PartKind::energy_counter, share * counter.uncertainty_w)
                        .with(PartBasis::counter_ticks, static_cast<double>(counter.ticks), 100.0 * share);
  part.shared = false;
  level.parts.push_back(part);
  // One of the two is wrong and nobody knows which: the interval reaches both.
  if (disagree)
    level.parts.push_back(
        rectangular_part(PartKind::disagreement, std::max(share, 1.0 - share) * std::abs(apart) * std::sqrt(3.0) / 2.0)
            .with(PartBasis::contradiction));
  return join;
}

}  // namespace

std::optional<CounterLevel> counter_level(const LevelReadings& readings, bool drifts) {
  const Ticks sums = ticks_of(readings.views());
  if (sums.chains == 0 || !(sums.energy_uwh > 0.0)) return std::nullopt;
  const LevelSketch& sketch = readings.sketch();
  CounterLevel counter;
  counter.covered_s = sums.time_s;
  counter.level_w = sums.energy_uwh * 3600e-6 / sums.time_s;
  if (sketch.tick_step_uwh() > 0)
    counter.ticks = std::llround(sums.energy_uwh / static_cast<double>(sketch.tick_step_uwh())) + sums.chains;
  // Two instants for each row of ticks, each somewhere between two readings.
  const double instants = sketch.tick_width_s() * std::sqrt(2.0 * sums.chains / 12.0);
  const double by_instants = counter.level_w * instants / counter.covered_s;
  counter.uncertainty_w = std::hypot(by_instants, beyond_the_ticks(readings, counter.covered_s, drifts));
  return counter;
}

CounterJoin join_counter(DisplayLevel& level, const CounterLevel& counter, const LevelReadings& readings) {
  const std::vector<RoundingAnswer> answers = rounding_beside(counter, level, readings);
  level.level_w += answers.front().offset_w;
  CounterJoin join = join_weighted(level, counter);
  if (answers.front().offset_w > 0.0) join.warnings.push_back({WarningKind::counter_says_cut_off, {}});
  if (answers.size() < 2) return join;
  const double k = coverage_factor(readings.scatter().degrees_of_freedom), own_w = k * combined(level.parts);
  std::vector<OtherAnswer> others;
  for (auto other = answers.begin() + 1; other != answers.end(); ++other)
    others.push_back(
        {other->posterior, level.level_w + (1.0 - join.share) * (other->offset_w - answers.front().offset_w), own_w});
  widen_to(level, answers.front().posterior, k, others,
           systematic_part(PartKind::display_rule, 0.0).with(PartBasis::counter_leaves_both));
  return join;
}

}  // namespace nightwatt
