#include "measure/uncertainty/level_budget.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "measure/uncertainty/distributions.hpp"
#include "signal/display_resolution.hpp"
#include "uncertainty/counter_level.hpp"
#include "uncertainty/display_hypothesis.hpp"
#include "uncertainty/level.hpp"
#include "uncertainty/level_readings.hpp"
#include "uncertainty/reading_trail.hpp"
#include "uncertainty/settling.hpp"

namespace nightwatt {

namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();

/// A budget without the meter's accuracy, and what the display showed of the level.
struct Made {
  LevelBudget budget;
  double shown_w = 0.0;
};

/// A device that cycles: the mean of its whole cycles. Each phase may be rounded by up to half a step.
Made of_cycles(const Regime& regime, const Cycles& cycles, double step_w, Rounding rounding) {
  Made made{{}, cycles.mean_w};
  LevelBudget& budget = made.budget;
  budget.step_w = step_w;
  budget.readings = regime.samples;
  budget.effective_readings = static_cast<double>(cycles.n);
  budget.level_w = cycles.mean_w + (rounding == Rounding::truncates ? 0.5 * step_w : 0.0);
  budget.parts.push_back(random_part(PartKind::statistics, cycles.uncertainty_w, static_cast<double>(cycles.n - 1))
                             .with(PartBasis::whole_cycles, static_cast<double>(cycles.n)));
  if (step_w > 0.0)
    budget.parts.push_back(rectangular_part(PartKind::display_step, 0.5 * step_w).with(PartBasis::half_step, step_w));
  return made;
}

/// A drifting level is quoted for the middle of the last two thirds; bins that begin late or readings that crowd have
/// another middle.
void take_drift_out(DisplayLevel& level, const LevelReadings& readings) {
  const LevelScatter& scatter = readings.scatter();
  if (!scatter.drifts && !level.creeps) return;
  const double middle_s = level.of_time ? scatter.time_centre_s : scatter.centre_s;
  const double late_s = 2.0 / 3.0 * readings.length_s() - middle_s;
  level.level_w += scatter.slope_w_per_s * late_s;
  // Where in a bin its first reading lies is not kept: an interval either way for all.
  const double covered_s = readings.covered_s();
  const double interval_s = covered_s > 0.0 ? covered_s / scatter.readings : 0.0;
  const double unplaced = scatter.slope_w_per_s * interval_s / std::sqrt(12.0);
  level.parts.push_back(random_part(PartKind::drift, std::hypot(scatter.slope_uncertainty * late_s, unplaced),
                                    scatter.slope_degrees_of_freedom)
                            .with(PartBasis::slope, scatter.slope_w_per_s * 3600.0));
}

void tell_slope(LevelBudget& budget, const DisplayLevel& level, const LevelReadings& readings) {
  const LevelScatter& scatter = readings.scatter();
  budget.slope_w_per_h = scatter.slope_w_per_s * 3600.0;
  budget.slope_uncertainty_w_per_h =
      3600.0 * scatter.slope_uncertainty * coverage_factor(0.95, scatter.slope_degrees_of_freedom);
  // Rounding may hide as much slope as makes one more count over the time, unless noise averages it out.
  if (level.hides_slope)
    budget.slope_uncertainty_w_per_h =
        std::hypot(budget.slope_uncertainty_w_per_h, 3600.0 * budget.step_w / (2.0 / 3.0 * readings.length_s()));
}

void ask_counter(LevelBudget& budget, DisplayLevel& level, const LevelReadings& readings) {
  if (!(readings.sketch().tick_width_s() > 0.0)) return;
  budget.counter = counter_level(readings, readings.scatter().drifts || level.creeps);
  if (!budget.counter) {
    budget.warnings.push_back({WarningKind::counter_moved_too_little, {}});
    return;
  }
  const CounterJoin join = join_counter(level, *budget.counter, readings);
  budget.warnings.insert(budget.warnings.end(), join.warnings.begin(), join.warnings.end());
}

std::optional<Made> of_readings(const Regime& regime, double step_w, Rounding rounding) {
  const LevelReadings readings(regime, step_w, rounding);
  if (readings.none()) return std::nullopt;
  Made made;
  LevelBudget& budget = made.budget;
  budget.step_w = step_w;
  budget.readings = static_cast<std::int64_t>(readings.scatter().readings);
  budget.effective_readings = readings.independent();
  made.shown_w = readings.scatter().time_mean_w;
  DisplayLevel level = level_behind_display(readings);
  tell_slope(budget, level, readings);
  take_drift_out(level, readings);
  ask_counter(budget, level, readings);
  budget.level_w = level.level_w;
  budget.parts = std::move(level.parts);
  budget.noise_w = level.noise_w;
  budget.bounded_by_display = level.bounded_by_display;
  return made;
}

/// Equal readings of an unknown display: what their digits leave open, but not nothing.
void add_unknown_display(LevelBudget& budget) {
  if (std::any_of(budget.parts.begin(), budget.parts.end(), [](const auto& part) { return part.uncertainty_w > 0.0; }))
    return;
  const double step_w = budget.step_w > 0.0 ? budget.step_w : learnt_step(std::span(&budget.level_w, 1));
  budget.parts.push_back(rectangular_part(PartKind::display_step, 0.5 * step_w).with(PartBasis::half_step, step_w));
}

std::optional<Made> make(const Regime& regime, double step_w, Rounding rounding) {
  if (regime.cycles) return of_cycles(regime, *regime.cycles, step_w, rounding);
  std::optional<Made> made = of_readings(regime, step_w, rounding);
  if (made) add_unknown_display(made->budget);
  return made;
}

/// The correction takes the promise's place.
void correct(LevelBudget& budget, const Correction& correction) {
  const double shown_w = budget.level_w, slope = correction.slope_at(shown_w);
  for (BudgetPart& part : budget.parts) part.uncertainty_w *= slope;
  budget.level_w = correction.at(shown_w);
  budget.parts.push_back(
      systematic_part(PartKind::meter_accuracy, correction.standard_deviation_at(shown_w)).with(PartBasis::correction));
  budget.slope_w_per_h *= slope;
  budget.slope_uncertainty_w_per_h *= slope;
}

void add_accuracy(LevelBudget& budget, const MeterTraits& traits) {
  if (traits.correction) {
    correct(budget, *traits.correction);
    return;
  }
  const std::optional<Accuracy>& accuracy = traits.accuracy;
  if (!accuracy) {
    budget.warnings.push_back({WarningKind::accuracy_not_known, {}});
    return;
  }
  budget.parts.push_back(
      rectangular_part(PartKind::meter_accuracy, accuracy->half_width(budget.level_w)).with(PartBasis::promise));
  if (!accuracy->meter_class.empty()) budget.warnings.push_back({WarningKind::class_below_minimum_current, {}});
}

/// The readings as the segmenter would keep them, one stretch of the whole record.
Regime regime_of(const BudgetInput& input) {
  Regime regime;
  regime.shape = RegimeShape::steady;
  const std::size_t size = std::min(input.power.times_s.size(), input.power.power_w.size());
  const std::size_t counters = std::min(input.counter.times_s.size(), input.counter.counter_wh.size());
  ReadingTrail trail;
  std::size_t counter = 0;
  UtcTime before;
  for (std::size_t i = 0; i < size; ++i) {
    const UtcTime time{std::llround(input.power.times_s[i] * 1e6)};
    for (; counter < counters && input.counter.times_s[counter] <= input.power.times_s[i]; ++counter)
      trail.counter(UtcTime{std::llround(input.counter.times_s[counter] * 1e6)}, input.counter.counter_wh[counter]);
    SketchEntry entry;
    entry.time = time;
    entry.mean = input.power.power_w[i];
    if (i > 0) {
      entry.covered_s = to_seconds(time - before).value;
      entry.integral_ws = 0.5 * entry.covered_s * (input.power.power_w[i - 1] + input.power.power_w[i]);
    }
    entry.repeats = trail.power(entry.mean);
    if (const auto moved = trail.take_moved()) {
      entry.tick = moved->tick;
      entry.tick_width_s = moved->width_s;
      entry.tick_step_uwh = moved->step_uwh;
    }
    regime.sketch.add(entry);
    if (i == 0) regime.begin = time;
    regime.end = before = time;
  }
  regime.samples = static_cast<std::int64_t>(size);
  return regime;
}

}  // namespace

double coverage_factor(double degrees_of_freedom) {
  if (!(degrees_of_freedom < 1e6)) return 2.0;
  // GUM G.4.1: cut to a whole number. Budgets ask for the same few again and again.
  static const auto first = [] {
    std::array<double, 64> factors{};
    for (std::size_t i = 0; i < factors.size(); ++i)
      factors[i] = coverage_factor(coverage_of_two, static_cast<double>(i + 1));
    return factors;
  }();
  const double whole = std::max(1.0, std::floor(degrees_of_freedom));
  if (whole <= static_cast<double>(first.size())) return first[static_cast<std::size_t>(whole) - 1];
  return coverage_factor(coverage_of_two, whole);
}

double degrees_of_freedom_for(double k) {
  constexpr double most = 1e6;
  if (k <= coverage_factor(most - 1.0)) return infinity;
  const double least = k * (1.0 - 1e-9);  // a factor that was reckoned, to its last digits
  double low = 1.0, high = most;          // its factor is no smaller; it is
  while (high - low > 1.0) {
    const double middle = std::floor(0.5 * (low + high));
    (coverage_factor(middle) >= least ? low : high) = middle;
  }
  return low;
}

std::optional<LevelFigure> level_figure(const Regime& regime, double step_w, Rounding rounding) {
  if (regime.shape != RegimeShape::steady && regime.shape != RegimeShape::decay) return std::nullopt;
  const std::optional<Made> made = make(regime, step_w, rounding);
  if (!made) return std::nullopt;
  const LevelBudget& budget = made->budget;
  LevelFigure figure;
  figure.algorithm_version = figure_algorithm_version;
  figure.step_w = step_w;
  figure.level_w = budget.level_w;
  figure.shown_w = made->shown_w;
  figure.drift_w_per_h = budget.slope_w_per_h;
  const LevelParts parts = level_parts(budget);
  figure.random_w = parts.random_w;
  figure.random_degrees_of_freedom = parts.random_degrees_of_freedom;
  figure.systematic_w = parts.systematic_w;
  figure.settling = settling_of(regime, step_w);
  return figure;
}

std::optional<LevelBudget> level_budget(const Regime& regime, const MeterTraits& traits, double step_w) {
  std::optional<Made> made = make(regime, step_w, traits.rounding);
  if (!made) return std::nullopt;
  LevelBudget& budget = made->budget;
  add_accuracy(budget, traits);
  complete(budget);
  if (!traits.resolution_w && budget.bounded_by_display)
    budget.warnings.push_back({WarningKind::step_not_known, {step_w}});
  return std::move(budget);
}

std::optional<LevelBudget> level_budget(const BudgetInput& input) {
  double step_w = input.step_w > 0.0 ? input.step_w : input.traits.resolution_w.value_or(0.0);
  const std::size_t size = std::min(input.power.times_s.size(), input.power.power_w.size());
  if (!(step_w > 0.0)) step_w = learnt_step(input.power.power_w.first(size));
  return level_budget(regime_of(input), input.traits, step_w);
}

LevelParts level_parts(const LevelBudget& budget) {
  std::vector<UncertaintyPart> by_chance, shared, permissible_error;
  for (const BudgetPart& part : budget.parts)
    (part.kind == PartKind::meter_accuracy ? permissible_error
     : part.shared                         ? shared
                                           : by_chance)
        .push_back({part.uncertainty_w, part.degrees_of_freedom});
  return {combined_uncertainty(by_chance), effective_degrees_of_freedom(by_chance), combined_uncertainty(shared),
          combined_uncertainty(permissible_error)};
}

void complete(LevelBudget& budget) {
  std::vector<UncertaintyPart> parts;
  for (const BudgetPart& part : budget.parts) parts.push_back({part.uncertainty_w, part.degrees_of_freedom});
  budget.standard_w = combined_uncertainty(parts);
  budget.degrees_of_freedom = effective_degrees_of_freedom(parts);
  budget.coverage_factor = coverage_factor(budget.degrees_of_freedom);
  budget.uncertainty_w = budget.coverage_factor * budget.standard_w;
  const double variance = budget.standard_w * budget.standard_w;
  for (BudgetPart& part : budget.parts) part.share = part.uncertainty_w * part.uncertainty_w / variance;
  if (budget.readings < 3) budget.warnings.push_back({WarningKind::fewer_than_three_readings, {}});
}

double learnt_step(std::span<const double> power_w) {
  DisplayResolution step;
  for (const double reading : power_w) step.push(reading);
  return power_w.empty() ? 0.0 : step.step_w();
}

}  // namespace nightwatt
