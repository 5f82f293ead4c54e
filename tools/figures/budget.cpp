#include "figures/budget.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <string_view>
#include <vector>

#include "measure/distributions.hpp"

namespace nightwatt::figures {
namespace {

/// 23 days of a reading a second: 100 MB of work for one segment, more is no use to anyone's statistics.
constexpr std::int64_t readings_limit = 2'000'000;
/// A budget that reaches further than the summary by less than this share says nothing new.
constexpr double telling_share = 0.01;

struct SegmentReadings {
  std::vector<double> times_s, power_w, counter_times_s, counter_wh;
};

double seconds_of(const Segment& segment) {
  return std::max(1e-6, to_seconds(segment.end - segment.begin).value);
}

Result<SegmentReadings> readings_of(const storage::StoreReader& store, const RunRecord& record,
                                    const Segment& segment) {
  SegmentReadings readings;
  const auto read = store.readings(record.info.stream, segment.begin, segment.end, [&](const Reading& reading) {
    const double time_s = to_seconds(reading.time - segment.begin).value;
    if (const auto power = reading.values.get(Quantity::power)) {
      readings.times_s.push_back(time_s);
      readings.power_w.push_back(power->value());
    }
    if (const auto counter = reading.values.get(Quantity::energy)) {
      readings.counter_times_s.push_back(time_s);
      readings.counter_wh.push_back(counter->value());
    }
    return true;
  });
  if (!read) return tl::unexpected(read.error());
  return readings;
}

struct OneBudget {
  LevelBudget budget;
  double seconds = 0.0;
  std::optional<StabilityVerdict> stability;
};

/// nullopt with a warning where the raw readings are gone or too many.
Result<std::optional<OneBudget>> budget_of(const storage::StoreReader& store, const RunRecord& record,
                                           const Segment& segment, RunBudgets& all) {
  std::vector<std::string>& warnings = all.warnings;
  const std::string what = "no budget for the " + std::string(segment_kind_name(segment.kind)) + " level: ";
  const auto whole = store.raw_is_whole(record.info.stream, segment.begin, segment.end);
  if (!whole) return tl::unexpected(whole.error());
  if (!*whole) {
    warnings.push_back(what + "its raw readings have given way to minutes (nightwatt pin keeps them)");
    return std::nullopt;
  }
  if (segment.samples > readings_limit) {
    warnings.push_back(what + "more than " + std::to_string(readings_limit) + " readings");
    return std::nullopt;
  }
  const auto readings = readings_of(store, record, segment);
  if (!readings) return tl::unexpected(readings.error());
  BudgetInput input;
  input.power = {readings->times_s, readings->power_w};
  input.counter = {readings->counter_times_s, readings->counter_wh};
  input.traits = record.info.traits;
  input.step_w = record.step_w;
  auto budget = level_budget(input);
  if (!budget) return std::nullopt;
  if (const double step = learnt_step(readings->counter_wh); step > 0.0)
    all.counter_step_wh = std::min(step, all.counter_step_wh.value_or(step));
  return OneBudget{std::move(*budget), seconds_of(segment), stability(input)};
}

/// What averages out between segments; the rest is the same display and the same meter every time.
bool is_chance(std::string_view part) {
  return part == "statistics" || part == "energy counter" || part == "drift";
}

/// The parts of one name in all segments as one part of the mean weighted by length.
BudgetPart joined_part(const std::vector<OneBudget>& budgets, const BudgetPart& like, double total_s) {
  BudgetPart joined = like;
  std::vector<UncertaintyPart> by_chance;
  double shared = 0.0;
  for (const OneBudget& one : budgets)
    for (const BudgetPart& part : one.budget.parts) {
      if (part.name != like.name) continue;
      const double u = one.seconds / total_s * part.uncertainty_w;
      by_chance.push_back({u, part.freedom});
      shared += u;
    }
  joined.uncertainty_w = is_chance(like.name) ? combined_uncertainty(by_chance) : shared;
  joined.freedom = effective_freedom(by_chance);
  joined.how = "longest of " + std::to_string(budgets.size()) + " segments: " + like.how;
  return joined;
}

/// What the levels differ by beyond their own chance (GUM 4.2.3, weights in place of 1/n), as repeats are pooled.
std::optional<BudgetPart> between_segments(const std::vector<OneBudget>& budgets, const LevelBudget& joined,
                                           double total_s) {
  double squares = 0.0, spread = 0.0, within = 0.0;
  for (const OneBudget& one : budgets) {
    const double share = one.seconds / total_s;
    squares += share * share;
    spread += share * (one.budget.level_w - joined.level_w) * (one.budget.level_w - joined.level_w);
  }
  for (const BudgetPart& part : joined.parts)
    if (is_chance(part.name)) within += part.uncertainty_w * part.uncertainty_w;
  if (squares >= 1.0 - 1e-9) return std::nullopt;
  const double between = spread / (1.0 - squares) * squares;
  if (!(between > within)) return std::nullopt;
  BudgetPart part;
  part.name = "between segments";
  part.uncertainty_w = std::sqrt(between - within);
  part.freedom = static_cast<double>(budgets.size()) - 1.0;
  part.how = std::to_string(budgets.size()) + " segments differ by more than their own chance";
  return part;
}

LevelBudget joined_budget(const std::vector<OneBudget>& budgets) {
  const auto longest = std::max_element(budgets.begin(), budgets.end(),
                                        [](const OneBudget& a, const OneBudget& b) { return a.seconds < b.seconds; });
  LevelBudget joined = longest->budget;
  if (budgets.size() == 1) return joined;
  double total_s = 0.0;
  for (const OneBudget& one : budgets) total_s += one.seconds;
  joined.level_w = joined.effective_readings = 0.0;
  joined.readings = 0;
  joined.counter.reset();
  joined.parts.clear();
  joined.warnings.clear();
  for (const OneBudget& one : budgets) {
    joined.level_w += one.seconds / total_s * one.budget.level_w;
    joined.readings += one.budget.readings;
    joined.effective_readings += one.budget.effective_readings;
    joined.bounded_by_display = joined.bounded_by_display || one.budget.bounded_by_display;
    for (const std::string& warning : one.budget.warnings)
      if (std::find(joined.warnings.begin(), joined.warnings.end(), warning) == joined.warnings.end())
        joined.warnings.push_back(warning);
  }
  const auto add_names_of = [&](const LevelBudget& budget) {
    for (const BudgetPart& part : budget.parts)
      if (std::none_of(joined.parts.begin(), joined.parts.end(), [&](const auto& p) { return p.name == part.name; }))
        joined.parts.push_back(joined_part(budgets, part, total_s));
  };
  add_names_of(longest->budget);
  for (const OneBudget& one : budgets) add_names_of(one.budget);
  if (auto part = between_segments(budgets, joined, total_s)) joined.parts.push_back(std::move(*part));
  std::vector<UncertaintyPart> parts;
  for (const BudgetPart& part : joined.parts) parts.push_back({part.uncertainty_w, part.freedom});
  joined.standard_w = combined_uncertainty(parts);
  joined.freedom = effective_freedom(parts);
  for (BudgetPart& part : joined.parts)
    part.share = part.uncertainty_w * part.uncertainty_w / (joined.standard_w * joined.standard_w);
  joined.uncertainty_w = expanded_uncertainty(joined.parts);
  joined.coverage_factor = joined.uncertainty_w / joined.standard_w;
  return joined;
}

/// `only_level`: of that kind, the segment that has exactly this level.
Result<std::optional<FigureBudget>> figure_budget(const storage::StoreReader& store, const RunRecord& record,
                                                  SegmentKind kind, std::optional<double> only_level, RunBudgets& all) {
  std::vector<OneBudget> budgets;
  for (const Segment& segment : record.segments) {
    if (segment.kind != kind || !segment.level_w || (only_level && segment.level_w != only_level)) continue;
    auto one = budget_of(store, record, segment, all);
    if (!one) return tl::unexpected(one.error());
    if (!*one) return std::nullopt;  // a budget of some of the segments would not be that of the figure
    budgets.push_back(std::move(**one));
    if (only_level) break;
  }
  if (budgets.empty()) return std::nullopt;
  FigureBudget figure{joined_budget(budgets), static_cast<int>(budgets.size()), std::nullopt};
  double longest_s = 0.0;
  for (const OneBudget& one : budgets)
    if (one.seconds > longest_s) {
      longest_s = one.seconds;
      figure.stability = one.stability;
    }
  return figure;
}

void widen(std::optional<Figure>& figure, const std::optional<FigureBudget>& budget, const std::string& name,
           std::vector<std::string>& warnings) {
  if (!figure || !budget) return;
  // The figure stays the mean; its interval must reach as far as the one that the readings leave.
  const double reach = std::abs(figure->value - budget->budget.level_w) + budget->budget.uncertainty_w;
  if (!(reach > figure->uncertainty * (1.0 + telling_share))) return;
  warnings.push_back("the " + name + " level's uncertainty is " + number_text(reach, "W") + " and not " +
                     number_text(figure->uncertainty, "W") + ": its budget " +
                     figure_text({budget->budget.level_w, budget->budget.uncertainty_w}, "W") + " reaches further");
  figure->uncertainty = reach;
}

std::string_view verdict_name(Stability verdict) {
  switch (verdict) {
    case Stability::met:
      return "met";
    case Stability::not_met:
      return "not met";
    case Stability::cannot_be_judged:
      return "cannot be judged";
  }
  return "";
}

void write_stability(JsonWriter& json, const std::optional<StabilityVerdict>& stability) {
  json.key("stability");
  if (!stability) {
    json.null();
    return;
  }
  json.begin_object().field("verdict", verdict_name(stability->verdict));
  json.field("slope_w_per_h", stability->slope_w_per_h)
      .field("slope_uncertainty_w_per_h", stability->slope_uncertainty_w_per_h)
      .field("limit_w_per_h", stability->limit_w_per_h)
      .field("needed_s", stability->needed_s)
      .field("cycle_s", stability->cycle_s)
      .field("cycles", stability->cycles)
      .end_object();
}

void write_one(JsonWriter& json, std::string_view name, const std::optional<FigureBudget>& figure) {
  json.line_break().key(name);
  if (!figure) {
    json.null();
    return;
  }
  const LevelBudget& b = figure->budget;
  json.begin_object().field("level_w", b.level_w).field("uncertainty_w", b.uncertainty_w);
  json.field("standard_uncertainty_w", b.standard_w).field("coverage_factor", b.coverage_factor);
  json.field("degrees_of_freedom", b.freedom).field("segments", figure->segments).field("readings", b.readings);
  json.field("independent_readings", b.effective_readings).field("step_w", b.step_w).field("noise_w", b.noise_w);
  json.field("bounded_by_display", b.bounded_by_display).key("parts").begin_array();
  for (const BudgetPart& part : b.parts)
    json.line_break()
        .begin_object()
        .field("part", part.name)
        .field("uncertainty_w", part.uncertainty_w)
        .field("degrees_of_freedom", part.freedom)
        .field("distribution", part.rectangular ? "rectangular" : "normal")
        .field("share", part.share)
        .field("how", part.how)
        .end_object();
  json.end_array().key("counter");
  if (b.counter)
    json.begin_object()
        .field("level_w", b.counter->level_w)
        .field("standard_uncertainty_w", b.counter->uncertainty_w)
        .field("ticks", b.counter->ticks)
        .field("covered_s", b.counter->covered_s)
        .end_object();
  else
    json.null();
  write_stability(json, figure->stability);
  json.key("warnings").begin_array();
  for (const std::string& warning : b.warnings) json.value(warning);
  json.end_array().end_object();
}

}  // namespace

Result<RunBudgets> run_budgets(const storage::StoreReader& store, const RunRecord& record) {
  RunBudgets budgets;
  if (record.info.origin == storage::RunOrigin::entered) {
    budgets.warnings.emplace_back("no budget: the row was entered by hand, its display step is all that is known");
    return budgets;
  }
  const auto moment = store.snapshot();
  if (!moment) return tl::unexpected(moment.error());
  struct Wanted {
    std::optional<FigureBudget>* into;
    SegmentKind kind;
    std::optional<double> only_level;
  };
  const Summary& s = record.summary;
  const std::array<Wanted, 3> all = {
      {{&budgets.idle, SegmentKind::idle, std::nullopt},
       {&budgets.load, SegmentKind::plateau, s.load ? std::optional(s.load->value) : std::nullopt},
       {&budgets.standby, SegmentKind::standby, std::nullopt}}};
  for (const Wanted& wanted : all) {
    auto made = figure_budget(store, record, wanted.kind, wanted.only_level, budgets);
    if (!made) return tl::unexpected(made.error());
    *wanted.into = std::move(*made);
  }
  return budgets;
}

void widen(RunRecord& record, const RunBudgets& budgets) {
  Summary& summary = record.summary;
  widen(summary.idle, budgets.idle, "idle", summary.warnings);
  widen(summary.load, budgets.load, "load", summary.warnings);
  widen(summary.standby, budgets.standby, "standby", summary.warnings);
  summary.warnings.insert(summary.warnings.end(), budgets.warnings.begin(), budgets.warnings.end());
  if (budgets.counter_step_wh && !counter_warning(record))
    if (auto warning = counter_warning(record, budgets.counter_step_wh))
      summary.warnings.push_back(std::move(*warning));
}

std::string freedom_text(double freedom) {
  if (!(freedom < 1e6)) return "inf";
  return std::to_string(static_cast<long>(std::floor(freedom)));
}

void write_budgets(JsonWriter& json, const RunBudgets& budgets) {
  json.key("budgets").begin_object();
  write_one(json, "idle", budgets.idle);
  write_one(json, "load", budgets.load);
  write_one(json, "standby", budgets.standby);
  json.end_object();
}

}  // namespace nightwatt::figures
