#include "measure/run/summary.hpp"
#include "measure/signal/advice.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "measure/run/work.hpp"
#include "measure/signal/time_text.hpp"

namespace nightwatt {

namespace {

/// Fewer readings than this make no statistics worth the name ("common practice, no source").
constexpr std::int64_t few_samples = 30;
/// A counter that is reset more often counts nothing that lasts: its digits jump, or it is no counter ("common
/// practice, no source").
constexpr std::int64_t most_resets = 10;
std::string times_word(std::int64_t count) {
  return count == 1 ? "once" : std::to_string(count) + " times";
}

/// Nothing, with a warning, where the counter ran backwards though the device drew power, or jumps about.
void take_counter(Summary& summary, const RunTotals& totals) {
  summary.counter_wh = totals.counter_wh();
  if (!summary.counter_wh) return;
  if (totals.counter_resets() > most_resets) {
    summary.counter_wh.reset();
    summary.warnings.push_back("the meter's energy counter was reset " + times_word(totals.counter_resets()) +
                               ": it is no counter of energy, its figure is left out");
  } else if (*summary.counter_wh < 0.0 && summary.energy_wh.value_or(0.0) >= 0.0) {
    summary.counter_wh.reset();
    summary.warnings.emplace_back("the meter's energy counter ran backwards: its figure is left out");
  } else if (totals.counter_resets() > 0) {
    summary.warnings.push_back("the meter's energy counter was reset " + times_word(totals.counter_resets()) +
                               ": its figure lacks what was used across the reset");
  }
}

void warn_of_record(Summary& summary, std::span<const Segment> segments, const RunTotals& totals, int clock_steps) {
  std::vector<std::string>& warnings = summary.warnings;
  if (summary.gap_s > 0.0) {
    const int count = summary.segments[static_cast<std::size_t>(SegmentKind::gap)];
    warnings.push_back((count > 1 ? std::to_string(count) + " gaps, together " : "a gap of ") +
                       duration_text({summary.gap_s}) + " without data: no energy is counted for them");
  }
  if (clock_steps > 0)
    warnings.push_back("the machine's clock was set " + times_word(clock_steps) +
                       " during the run: times of the day may be off, lengths and energy are not");
  take_counter(summary, totals);
  if (summary.samples < few_samples)
    warnings.push_back("only " + std::to_string(summary.samples) + (summary.samples == 1 ? " reading" : " readings") +
                       ": too few to trust the figures");
  const auto gives_back = [](const Segment& segment) {
    return segment.level_w && *segment.level_w < -segment.uncertainty_w.value_or(0.0);
  };
  if (std::any_of(segments.begin(), segments.end(), gives_back))
    warnings.push_back(
        with_advice("the power was below 0 W: either the meter is the wrong way round or the device feeds power back. "
                    "Those times count as off, their energy as given back",
                    "compare with the meter's display; turn the meter round and measure again"));
  for (const Segment& segment : segments)
    if (segment.settling_unfinished)
      warnings.push_back("the level from " + local_text(segment.begin) +
                         " had not settled when it ended: its figure may still be off");
}

Figure figure_of(const Segment& segment) {
  return {*segment.level_w, segment.uncertainty_w.value_or(0.0), parts_of(segment)};
}

/// For print: see finest_digit().
void limit_digits(Summary& summary, const RunMeter& meter) {
  const Shown shown{meter.step_w, meter.accuracy.has_value() || meter.corrected};
  for (std::optional<Figure>* figure :
       {&summary.idle, &summary.standby, &summary.load, &summary.sustained, &summary.baseline})
    if (*figure) (*figure)->finest = finest_digit(**figure, shown);
  for (LevelState& state : summary.states) state.level.finest = finest_digit(state.level, shown);
}

/// Idle and standby that are not quoted: a person may have meant one of them.
void warn_of_other_states(Summary& summary) {
  for (const SegmentKind kind : {SegmentKind::idle, SegmentKind::standby}) {
    const LevelState* quoted = longest_state(summary.states, kind);
    for (const LevelState& state : summary.states)
      if (state.kind == kind && &state != quoted)
        summary.warnings.push_back("there was another " + std::string(segment_kind_name(kind)) +
                                   " level: " + figure_text(state.level, "W") + " for " +
                                   duration_text({state.time_s}) + ", beside " + figure_text(quoted->level, "W") +
                                   " for " + duration_text({quoted->time_s}) + ", which is quoted");
  }
}

class Figures {
 public:
  Figures(Summary& summary, std::span<const Segment> segments, const RunMeter& meter)
      : summary_(summary), segments_(segments), meter_(meter) {}

  void make() {
    summary_.states = states_of(segments_, meter_.step_w);
    of_state(summary_.idle, SegmentKind::idle, "idle",
             "no steady level of the working device lasted long enough: 20 s at one power");
    of_state(summary_.standby, SegmentKind::standby, "standby",
             "no low level was held before a start-up or after a shut-down");
    make_load();
    make_sustained();
    make_baseline();
  }

 private:
  void of_state(std::optional<Figure>& figure, SegmentKind kind, std::string_view name, std::string why) {
    if (const LevelState* state = longest_state(summary_.states, kind))
      figure = state->level;
    else
      summary_.missing.push_back({name, std::move(why)});
  }

  void make_load() {
    if (const Segment* load = load_segment(segments_))
      summary_.load = figure_of(*load);
    else
      summary_.missing.push_back({"load", "no level above idle was held"});
  }

  void make_sustained() {
    const Sustained sustained = sustained_load(segments_);
    if (sustained.plateau != nullptr)
      summary_.sustained = figure_of(*sustained.plateau);
    else if (!summary_.load)
      summary_.missing.push_back({"sustained", "no level above idle was held"});
    else if (sustained.longest_s < sustained_work_s)
      summary_.missing.push_back({"sustained", "the longest unbroken work lasted " +
                                                   duration_text({sustained.longest_s}) +
                                                   ": what a load settles down to shows after ten minutes or more"});
    else
      summary_.missing.push_back(
          {"sustained", "the work lasted ten minutes or more, but its power was not steady at the end"});
  }

  void make_baseline() {
    summary_.idling = baseline_of(segments_, meter_);
    if (!summary_.idling) return summary_.missing.push_back({"baseline", "no time at idle"});
    const LevelBudget& budget = summary_.idling->budget;
    summary_.baseline = Figure{budget.level_w, budget.uncertainty_w, level_parts(budget)};
  }

  Summary& summary_;
  std::span<const Segment> segments_;
  const RunMeter& meter_;
};

}  // namespace

Summary summarise(std::span<const Segment> segments, const RunTotals& totals,
                  std::span<const std::string> segment_warnings, int clock_steps, const RunMeter& meter) {
  Summary summary;
  summary.samples = totals.samples();
  summary.gap_s = totals.gap_s();
  summary.energy_wh = totals.energy_wh();
  summary.peak_w = totals.peak_w();
  for (const Segment& segment : segments) ++summary.segments[static_cast<std::size_t>(segment.kind)];
  Figures(summary, segments, meter).make();
  limit_digits(summary, meter);
  warn_of_record(summary, segments, totals, clock_steps);
  warn_of_other_states(summary);
  summary.warnings.insert(summary.warnings.end(), segment_warnings.begin(), segment_warnings.end());
  return summary;
}

bool differ(const std::optional<Figure>& more, const std::optional<Figure>& plain) {
  if (!more) return false;
  if (!plain) return true;
  return std::abs(more->value - plain->value) > std::max(more->uncertainty, plain->uncertainty);
}

std::vector<NamedFigure> shown_figures(const Summary& summary) {
  std::vector<NamedFigure> shown;
  const auto add = [&](std::string_view name, const std::optional<Figure>& figure) {
    if (figure) shown.push_back({name, *figure});
  };
  add("standby", summary.standby);
  add("idle", summary.idle);
  if (differ(summary.baseline, summary.idle)) add("baseline", summary.baseline);
  add("load", summary.load);
  if (differ(summary.sustained, summary.load)) add("sustained", summary.sustained);
  return shown;
}

std::vector<std::string> missing_texts(const Summary& summary) {
  std::vector<std::string> texts;
  for (const MissingFigure& figure : summary.missing)
    texts.push_back("no " + std::string(figure.name) + ": " + figure.why);
  return texts;
}

}  // namespace nightwatt
