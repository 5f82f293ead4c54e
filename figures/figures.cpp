#include "figures/figures.hpp"

#include <algorithm>
#include <cmath>
#include <functional>
#include <numeric>

#include "measure/signal/advice.hpp"
#include "measure/signal/digits.hpp"
#include "measure/signal/time_text.hpp"
#include "text/json_text.hpp"

namespace nightwatt::figures {
namespace {

/// What was read once from a display: the step is all that is known of its uncertainty, a rectangle of half a step to
/// either side (GUM F.2.2.1: u = step / sqrt 12), k = 2. Without a step the uncertainty is unknown.
std::optional<Figure> entered_figure(const std::optional<double>& value, const MeterTraits& traits) {
  if (!value) return std::nullopt;
  const double accuracy = traits.accuracy ? traits.accuracy->half_width(*value) / std::sqrt(3.0) : 0.0;
  const double step = traits.resolution_w.value_or(std::nan("")) / std::sqrt(12.0);
  Figure figure{*value, 2.0 * std::hypot(step, accuracy)};
  figure.finest = finest_digit(figure, {traits.resolution_w.value_or(0.0), traits.accuracy.has_value()});
  return figure;
}

double seconds_of(const Segment& segment) {
  return to_seconds(segment.end - segment.begin).value;
}

/// A level of an unknown display is as sure as the digits shown, where the display hides more than that.
void warn_of_unknown_display(const RunRecord& record, std::vector<std::string>& warnings) {
  constexpr double hidden = 0.9;  // of what a still display hides: noise averages the rest out
  if (const auto told_w = record.info.traits.resolution_w) {
    if (record.step_w > *told_w)
      warnings.push_back("the display shows multiples of " + number_text(record.step_w, "W") +
                         ": that is taken for its step, not " + number_text(*told_w, "W") + " as was told");
    return;
  }
  const double step_w = record.step_w / std::sqrt(12.0);
  const bool hides = std::any_of(record.segments.begin(), record.segments.end(), [&](const Segment& segment) {
    // More is not the display's: a counter that contradicts it.
    return segment.parts && segment.parts->systematic_w >= hidden * step_w && segment.parts->systematic_w > 0.0 &&
           segment.parts->systematic_w * hidden <= step_w;
  });
  if (!hides) return;
  warnings.push_back(with_advice(
      "the display's step is not known: " + number_text(record.step_w, "W") + " is taken from the digits shown",
      "give it as resolution in the meter's profile, or with import --resolution"));
}

/// Less than this share of a level is within what any meter promises, where nobody told its promise: classes of
/// household meters begin at 1 % (IEC 62053-21).
constexpr double usual_promise = 0.01;
/// Half a step beside the ± of a display that stands still, of which nothing else is known: the root of 3, halved; less
/// than that of the ± is within it.
constexpr double still_half_step = 0.86;

std::optional<double> relative(const std::optional<Accuracy>& accuracy) {
  return accuracy ? std::optional(accuracy->percent / 100.0) : std::nullopt;
}

/// Taken where nobody said and the counter never moved within a level: the coarsest usual one (common practice, no
/// source).
constexpr double coarse_counter_step_wh = 10.0;

/// The profile's, or the smallest by which the counter moved within a level.
double counter_step_wh(const RunRecord& record) {
  if (record.info.traits.energy_step_wh) return *record.info.traits.energy_step_wh;
  std::int64_t smallest_uwh = 0;
  for (const Regime& regime : record.regimes) {
    const std::int64_t step_uwh = regime.digest().counter_step_uwh;
    if (step_uwh > 0 && (smallest_uwh == 0 || step_uwh < smallest_uwh)) smallest_uwh = step_uwh;
  }
  return smallest_uwh > 0 ? static_cast<double>(smallest_uwh) * 1e-6 : coarse_counter_step_wh;
}

/// How far a run's integral may be from its counter, the meter's promise left out: what the display
/// leaves open, readings too far apart for what the power did between them, and the counter's first and last step.
double apart_by_reading_wh(const RunRecord& record) {
  double squares = 0.0, hours = 0.0;
  for (const Segment& segment : record.segments) {
    if (segment.kind == SegmentKind::gap || segment.samples < 1) continue;
    hours += seconds_of(segment) / 3600.0;
    // Readings that take a swinging power by chance; three for readings that remember (common practice, no source).
    const double swing = segment.highest_w.value_or(0.0) - segment.lowest_w.value_or(0.0);
    const double by_chance = 3.0 * swing / std::sqrt(12.0 * static_cast<double>(segment.samples));
    squares += std::pow(by_chance * seconds_of(segment) / 3600.0, 2);
  }
  // A still display is off by the same part of a step all the time, and the counter by up to a step: a warning must
  // hold against the worst of both.
  const double display_wh = record.step_w / 2.0 * hours;
  return 2.0 * std::sqrt(squares) + display_wh + counter_step_wh(record);
}

/// The segments are corrected already: energy is theirs, the peak is corrected here, and what the correction cannot
/// vouch for is said.
void correct_totals(RunRecord& record, const Correction& correction) {
  Summary& s = record.summary;
  double energy_wh = 0.0, lowest = 0.0, highest = 0.0;
  bool any = false;
  for (const Segment& segment : record.segments) {
    energy_wh += segment.energy_wh.value_or(0.0);
    if (!segment.level_w || segment.kind == SegmentKind::off) continue;
    const double shown = segment.shown_w.value_or(*segment.level_w);
    lowest = any ? std::min(lowest, shown) : shown;
    highest = any ? std::max(highest, shown) : shown;
    any = true;
  }
  if (s.energy_wh) s.energy_wh = energy_wh;
  if (s.peak_w) s.peak_w = correction.at(*s.peak_w);
  s.warnings.push_back("the figures are corrected, the readings are not: the meter was " + correction.words());
  if (any && (!correction.covers(lowest) || !correction.covers(highest)))
    s.warnings.push_back("some levels lie outside what the meter was calibrated for, " +
                         number_text(correction.from_w, "") + " to " + number_text(correction.to_w, "W") +
                         ": their correction is a guess");
  if (record.info.begin > correction.until)
    s.warnings.push_back("the meter's correction was good until " + utc_text(correction.until).substr(0, 10) +
                         ": calibrate it again");
}

}  // namespace

Result<RunRecord> run_record(const storage::StoreReader& store, const storage::RunInfo& info,
                             storage::Sketches wanted) {
  RunRecord record;
  record.info = info;
  if (info.origin == storage::RunOrigin::entered) {
    record.summary.idle = entered_figure(info.entered_idle_w, info.traits);
    record.summary.load = entered_figure(info.entered_load_w, info.traits);
    const auto standby = store.entered_standby_w(info.id);
    if (!standby) return tl::unexpected(standby.error());
    record.summary.standby = entered_figure(*standby, info.traits);
    record.summary.warnings.emplace_back("read from a display and entered by hand: there are no readings behind it");
    return record;
  }
  auto figures = figures::run_figures(store, info.id, wanted);
  if (!figures) return tl::unexpected(figures.error());
  record.summary =
      summarise(figures->segments, figures->totals, figures->segment_warnings, figures->clock_steps,
                {figures->step_w, figures->info.traits.accuracy, figures->info.traits.correction.has_value()});
  record.info = std::move(figures->info);
  record.segments = std::move(figures->segments);
  record.regimes = std::move(figures->regimes);
  record.calendar = std::move(figures->calendar);
  record.utc_offset = figures->utc_offset;
  record.step_w = figures->step_w;
  record.totals = std::move(figures->totals);
  if (auto warning = rounding_warning(record)) record.summary.warnings.push_back(std::move(*warning));
  warn_of_unknown_display(record, record.summary.warnings);
  if (auto warning = counter_warning(record)) record.summary.warnings.push_back(std::move(*warning));
  if (record.info.traits.correction) correct_totals(record, *record.info.traits.correction);
  return record;
}

Shown shown_by(const RunRecord& record) {
  const MeterTraits& traits = record.info.traits;
  return {record.step_w, traits.accuracy.has_value() || traits.correction.has_value()};
}

std::optional<std::string> rounding_warning(const RunRecord& record) {
  const MeterTraits& traits = record.info.traits;
  // A correction was found by levels of this very display.
  if (traits.rounding != Rounding::not_told || traits.correction) return std::nullopt;
  const double half_step_w = 0.5 * record.step_w;
  // A counter that tells half a step decides it, level by level.
  const auto beside = record.totals.beside_counter();
  if (beside && 2.0 * counter_step_wh(record) * 3600.0 < 0.5 * half_step_w * beside->seconds) return std::nullopt;
  const bool matters = std::any_of(record.segments.begin(), record.segments.end(), [&](const Segment& segment) {
    return segment.level_w && segment.uncertainty_w && segment.kind != SegmentKind::off &&
           half_step_w > std::max(still_half_step * *segment.uncertainty_w, usual_promise * std::abs(*segment.level_w));
  });
  if (!matters) return std::nullopt;
  return with_advice(
      "the display is taken to round; if it cuts digits off, levels are " + text::exact_text(half_step_w) +
          " W higher, and their ± does not hold that",
      "look in the meter's manual or measure a known load, and say display = \"truncates\" or \"rounds\" in its "
      "profile, or import with --resolution " +
          text::exact_text(record.step_w) + " --truncates, or --rounds");
}

std::optional<Figure> level_of(const RunRecord& record, const Segment& segment) {
  if (!segment.level_w) return std::nullopt;
  Figure level{*segment.level_w, segment.uncertainty_w.value_or(0.0)};
  level.finest = finest_digit(level, shown_by(record));
  return level;
}

std::optional<std::string> counter_warning(const RunRecord& record) {
  const Summary& s = record.summary;
  // A gap is in the counter and not in the integral, a reset the other way round.
  if (!s.energy_wh || !s.counter_wh || s.gap_s > 0.0 || record.totals.counter_resets() > 0) return std::nullopt;
  // A counter that is read seldom has counted for less time than the run lasted.
  const double run_s = to_seconds(*record.totals.last() - *record.totals.first()).value;
  const RunTotals::BesideCounter beside =
      record.totals.beside_counter().value_or(RunTotals::BesideCounter{*s.energy_wh, run_s});
  const MeterTraits& traits = record.info.traits;
  const double power_promise = relative(traits.accuracy).value_or(0.0);
  const double energy_promise = relative(traits.energy_accuracy).value_or(power_promise);
  const double floor_w = traits.accuracy ? traits.accuracy->floor : 0.0;
  const double permissible_error_wh =
      std::abs(beside.energy_wh) * (power_promise + energy_promise) + floor_w * beside.seconds / 3600.0;
  const double allowed = apart_by_reading_wh(record) + permissible_error_wh;
  if (std::abs(*s.counter_wh - beside.energy_wh) <= allowed) return std::nullopt;
  return "the meter's counter says " + number_text(*s.counter_wh, "Wh") + ", the power readings " +
         number_text(beside.energy_wh, "Wh") + (beside.seconds < run_s ? " for the same time" : "") +
         ": more apart than their uncertainties (" + number_text(allowed, "Wh") +
         "), so one of them is wrong (to do: compare both with the meter's display; correct unit or scale in its "
         "profile, "
         "or the clock)";
}

std::string figure_or_nothing(const std::optional<Figure>& figure, std::string_view unit) {
  if (!figure) return {};
  if (!std::isfinite(figure->uncertainty)) return number_text(figure->value, unit);
  return figure_text(*figure, unit);
}

namespace {

/// Decimals of a number with about four significant digits.
int usual_decimals(double value) {
  constexpr int significant = 4, most = 3;
  const int whole_digits = std::fabs(value) < 1.0 ? 1 : static_cast<int>(std::floor(std::log10(std::fabs(value)))) + 1;
  return std::max(0, std::min(most, significant - whole_digits));
}

std::string fixed_text(double value, int decimals, std::string_view unit) {
  std::string text = digits_of(value, std::chars_format::fixed, decimals);
  if (text.find_first_not_of("-0.") == std::string::npos && text.front() == '-') text.erase(0, 1);
  if (!unit.empty()) text.append(" ").append(unit);
  return text;
}

}  // namespace

std::string number_text(double value, std::string_view unit) {
  return fixed_text(value, usual_decimals(value), unit);
}

std::string reading_text(double watts, double step_w, std::string_view unit, int more_digits) {
  if (!(step_w > 0.0)) return number_text(watts, unit);
  const int of_step = std::max(0, static_cast<int>(std::ceil(-std::log10(step_w) - 1e-9)));
  return fixed_text(watts, std::min(usual_decimals(watts), of_step + more_digits), unit);
}

std::string number_or_nothing(const std::optional<double>& value, std::string_view unit) {
  return value ? number_text(*value, unit) : std::string();
}

std::string counts_text(const Summary& summary) {
  std::string text;
  for (const SegmentKind kind : all_segment_kinds) {
    const int count = summary.segments[static_cast<std::size_t>(kind)];
    if (count == 0) continue;
    if (!text.empty()) text += ", ";
    text += std::to_string(count) + " " + std::string(segment_kind_name(kind));
  }
  return text;
}

}  // namespace nightwatt::figures
