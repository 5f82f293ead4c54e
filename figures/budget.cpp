#include "figures/budget.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <string_view>
#include <vector>

#include "figures/budget_words.hpp"
#include "figures/shown_power.hpp"
#include "measure/run/work.hpp"
#include "measure/signal/advice.hpp"
#include "measure/uncertainty/distributions.hpp"
#include "measure/uncertainty/pooled_level.hpp"

namespace nightwatt::figures {
namespace {

/// 23 days of a reading a second: 100 MB of work for one segment, more is no use to anyone's statistics.
constexpr std::int64_t readings_limit = 2'000'000;

struct SegmentReadings {
  std::vector<double> times_s, power_w;
};

double seconds_of(const Segment& segment) {
  return std::max(1e-6, to_seconds(segment.end - segment.begin).value);
}

Result<SegmentReadings> readings_of(const storage::StoreReader& store, const RunRecord& record,
                                    const Segment& segment) {
  SegmentReadings readings;
  const auto read =
      figures::shown_powers(store, record.info, segment.begin, segment.end, [&](UtcTime at, double power_w) {
        readings.times_s.push_back(to_seconds(at - segment.begin).value);
        readings.power_w.push_back(power_w);
        return true;
      });
  if (!read) return tl::unexpected(read.error());
  return readings;
}

struct OneBudget {
  LevelBudget budget;
  double seconds = 0.0;
};

/// Told from the raw readings, one by one; nullopt with a warning where they are gone or too many.
Result<std::optional<StabilityVerdict>> stability_of(const storage::StoreReader& store, const RunRecord& record,
                                                     const Segment& segment, std::vector<std::string>& warnings) {
  const std::string what =
      "whether the " + std::string(segment_kind_name(segment.kind)) + " level was stable cannot be judged: ";
  const auto whole = store.raw_is_whole(record.info.stream, segment.begin, segment.end);
  if (!whole) return tl::unexpected(whole.error());
  if (!*whole) {
    warnings.push_back(with_advice(what + "its raw readings have given way to minutes, that is averages",
                                   "nightwatt pin RUN, given in time, keeps the readings of a run"));
    return std::nullopt;
  }
  if (segment.samples > readings_limit) {
    warnings.push_back(what + "it has more than " + std::to_string(readings_limit) + " readings");
    return std::nullopt;
  }
  const auto readings = readings_of(store, record, segment);
  if (!readings) return tl::unexpected(readings.error());
  BudgetInput input;
  input.power = {readings->times_s, readings->power_w};
  input.traits = record.info.traits;
  input.step_w = record.step_w;
  return stability(input);
}

/// The parts of one kind in all segments as one part of the mean weighted by length.
BudgetPart joined_part(const std::vector<OneBudget>& budgets, const BudgetPart& like, double total_s) {
  BudgetPart joined = like;
  std::vector<UncertaintyPart> by_chance;
  double shared = 0.0;
  for (const OneBudget& one : budgets)
    for (const BudgetPart& part : one.budget.parts) {
      if (part.kind != like.kind) continue;
      const double u = one.seconds / total_s * part.uncertainty_w;
      by_chance.push_back({u, part.degrees_of_freedom});
      shared += u;
    }
  joined.uncertainty_w = like.shared ? shared : combined_uncertainty(by_chance);
  joined.degrees_of_freedom = effective_degrees_of_freedom(by_chance);
  joined.of_segments = static_cast<int>(budgets.size());
  return joined;
}

/// The same numbers as the summary's figure, told by their kinds.
LevelBudget joined_budget(const std::vector<OneBudget>& budgets) {
  const auto longest = std::max_element(budgets.begin(), budgets.end(),
                                        [](const OneBudget& a, const OneBudget& b) { return a.seconds < b.seconds; });
  LevelBudget joined = longest->budget;
  if (budgets.size() == 1) return joined;
  double total_s = 0.0;
  std::vector<PooledLevel> levels;
  for (const OneBudget& one : budgets) {
    total_s += one.seconds;
    levels.push_back({one.budget.level_w, one.seconds, level_parts(one.budget)});
  }
  const Pooled pooled = pool_levels(levels);
  joined.level_w = pooled.level_w;
  joined.effective_readings = 0.0;
  joined.readings = 0;
  joined.counter.reset();
  joined.parts.clear();
  joined.warnings.clear();
  for (const OneBudget& one : budgets) {
    joined.readings += one.budget.readings;
    joined.effective_readings += one.budget.effective_readings;
    joined.bounded_by_display = joined.bounded_by_display || one.budget.bounded_by_display;
    for (const BudgetWarning& warning : one.budget.warnings)
      if (std::find(joined.warnings.begin(), joined.warnings.end(), warning) == joined.warnings.end())
        joined.warnings.push_back(warning);
  }
  const auto add_kinds_of = [&](const LevelBudget& budget) {
    for (const BudgetPart& part : budget.parts)
      if (std::none_of(joined.parts.begin(), joined.parts.end(), [&](const auto& p) { return p.kind == part.kind; }))
        joined.parts.push_back(joined_part(budgets, part, total_s));
  };
  add_kinds_of(longest->budget);
  for (const OneBudget& one : budgets) add_kinds_of(one.budget);
  // What the display does in each segment was added up as a whole; its parts share the sum.
  const double by_kind = level_parts(joined).systematic_w;
  for (BudgetPart& part : joined.parts)
    if (part.shared && part.kind != PartKind::meter_accuracy && by_kind > 0.0)
      part.uncertainty_w *= pooled.parts.systematic_w / by_kind;
  if (pooled.between_w > 0.0)
    joined.parts.push_back(
        random_part(PartKind::between_segments, pooled.between_w, std::numeric_limits<double>::infinity())
            .with(PartBasis::spread_of_segments, static_cast<double>(budgets.size())));
  complete(joined);
  return joined;
}

/// Of the segments at those places, one level.
Result<std::optional<FigureBudget>> figure_budget(const storage::StoreReader& store, const RunRecord& record,
                                                  const std::vector<std::size_t>& places, RunBudgets& all) {
  std::vector<OneBudget> budgets;
  const Segment* longest = nullptr;
  for (const std::size_t i : places) {
    if (i >= std::min(record.segments.size(), record.regimes.size())) continue;
    const Segment& segment = record.segments[i];
    if (record.regimes[i].without_sketch)
      return fail(ErrorKind::unusable, "a budget was asked of a record that was read without its sketches");
    auto budget = level_budget(record.regimes[i], record.info.traits, record.step_w);
    if (!budget) continue;
    budgets.push_back({std::move(*budget), seconds_of(segment)});
    if (longest == nullptr || seconds_of(segment) > seconds_of(*longest)) longest = &segment;
  }
  if (budgets.empty()) return std::nullopt;
  FigureBudget figure{joined_budget(budgets), static_cast<int>(budgets.size()), std::nullopt};
  auto verdict = stability_of(store, record, *longest, all.warnings);
  if (!verdict) return tl::unexpected(verdict.error());
  figure.stability = std::move(*verdict);
  return figure;
}

/// Where the segments are that each figure is made of.
std::vector<std::size_t> of_state(const RunRecord& record, SegmentKind kind) {
  const LevelState* state = longest_state(record.summary.states, kind);
  return state == nullptr ? std::vector<std::size_t>{} : state->segments;
}
std::vector<std::size_t> of_segment(const RunRecord& record, const Segment* segment) {
  if (segment == nullptr) return {};
  return {static_cast<std::size_t>(segment - record.segments.data())};
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

void write_one(JsonWriter& json, std::string_view name, const std::optional<FigureBudget>& figure,
               const MeterTraits& traits) {
  json.line_break().key(name);
  if (!figure) {
    json.null();
    return;
  }
  const LevelBudget& b = figure->budget;
  json.begin_object().field("level_w", b.level_w).field("uncertainty_w", b.uncertainty_w);
  json.field("standard_uncertainty_w", b.standard_w).field("coverage_factor", b.coverage_factor);
  json.field("degrees_of_freedom", b.degrees_of_freedom)
      .field("segments", figure->segments)
      .field("readings", b.readings);
  json.field("independent_readings", b.effective_readings).field("step_w", b.step_w).field("noise_w", b.noise_w);
  json.field("bounded_by_display", b.bounded_by_display).key("parts").begin_array();
  for (const BudgetPart& part : b.parts)
    json.line_break()
        .begin_object()
        .field("part", part_name(part.kind))
        .field("uncertainty_w", part.uncertainty_w)
        .field("degrees_of_freedom", part.degrees_of_freedom)
        .field("distribution", part.rectangular ? "rectangular" : "normal")
        .field("share", part.share)
        .field("how", part_words(part, traits))
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
  for (const BudgetWarning& warning : b.warnings) json.value(warning_words(warning));
  json.end_array().end_object();
}

}  // namespace

Result<RunBudgets> run_budgets(const storage::StoreReader& store, const RunRecord& record) {
  RunBudgets budgets;
  budgets.traits = record.info.traits;
  if (record.info.origin == storage::RunOrigin::entered) {
    budgets.warnings.emplace_back("no budget: the row was entered by hand, its display step is all that is known");
    return budgets;
  }
  const auto moment = store.snapshot();
  if (!moment) return tl::unexpected(moment.error());
  struct Wanted {
    std::optional<FigureBudget>* into;
    std::vector<std::size_t> places;
  };
  const Segment* load = load_segment(record.segments);
  const Segment* sustained = sustained_load(record.segments).plateau;
  std::vector<Wanted> all = {{&budgets.idle, of_state(record, SegmentKind::idle)},
                             {&budgets.load, of_segment(record, load)},
                             {&budgets.standby, of_state(record, SegmentKind::standby)}};
  if (sustained != load) all.push_back({&budgets.sustained, of_segment(record, sustained)});
  for (const Wanted& wanted : all) {
    auto made = figure_budget(store, record, wanted.places, budgets);
    if (!made) return tl::unexpected(made.error());
    *wanted.into = std::move(*made);
  }
  if (sustained == load) budgets.sustained = budgets.load;
  if (const auto& idling = record.summary.idling)
    budgets.baseline = FigureBudget{idling->budget, idling->departures + 1, std::nullopt};
  return budgets;
}

std::string degrees_of_freedom_text(double degrees_of_freedom) {
  if (!(degrees_of_freedom < 1e6)) return "inf";
  return std::to_string(static_cast<long>(std::floor(degrees_of_freedom)));
}

void write_budgets(JsonWriter& json, const RunBudgets& budgets) {
  json.key("budgets").begin_object();
  write_one(json, "idle", budgets.idle, budgets.traits);
  write_one(json, "load", budgets.load, budgets.traits);
  write_one(json, "standby", budgets.standby, budgets.traits);
  write_one(json, "sustained", budgets.sustained, budgets.traits);
  write_one(json, "baseline", budgets.baseline, budgets.traits);
  json.end_object();
}

}  // namespace nightwatt::figures
