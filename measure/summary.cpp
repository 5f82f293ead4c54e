#include "measure/summary.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "measure/pooled_level.hpp"
#include "measure/time_text.hpp"

namespace nightwatt {

namespace {

/// Fewer readings than this make no statistics worth the name ("common practice, no source").
constexpr std::int64_t few_samples = 30;
/// The contract's: a plateau must last this long to be the load before a shorter, higher one.
constexpr double load_held_s = 120.0;
/// A counter that is reset more often counts nothing that lasts: its digits jump, or it is no counter ("common
/// practice, no source").
constexpr std::int64_t most_resets = 10;
constexpr double infinity = std::numeric_limits<double>::infinity();

double length_s(const Segment& segment) {
  return to_seconds(segment.end - segment.begin).value;
}

LevelParts parts_of(const Segment& segment) {
  return segment.parts.value_or(LevelParts{0.0, infinity, segment.uncertainty_w.value_or(0.0) / 2.0, 0.0});
}

/// Mean of the levels of a kind, weighted by length. What is chance in each averages out; display and meter are the
/// same in all. Where the levels differ by more than their own chance, their spread counts, as the standard error of a
/// weighted mean (GUM 4.2.3, weights in place of 1/n).
std::optional<Figure> pooled_level(std::span<const Segment> segments, SegmentKind kind) {
  std::vector<PooledLevel> levels;
  for (const Segment& segment : segments)
    if (segment.kind == kind && segment.level_w)
      levels.push_back({*segment.level_w, std::max(length_s(segment), 1e-6), parts_of(segment)});
  if (levels.empty()) return std::nullopt;
  const Pooled pooled = pool_levels(levels);
  return Figure{pooled.level_w, pooled.parts.expanded_w(), pooled.parts};
}

const Segment* load_segment(std::span<const Segment> segments) {
  const Segment* best = nullptr;
  bool best_held = false;
  for (const Segment& segment : segments) {
    if (segment.kind != SegmentKind::plateau || !segment.level_w) continue;
    const bool held = length_s(segment) >= load_held_s;
    if (best == nullptr || (held && !best_held) || (held == best_held && *segment.level_w > *best->level_w)) {
      best = &segment;
      best_held = held;
    }
  }
  return best;
}

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
        "the power was below 0 W: is the meter connected the wrong way round, or does the device feed back? It counts "
        "as energy given back, and as off");
  for (const Segment& segment : segments)
    if (segment.settling_unfinished)
      warnings.push_back("the level from " + local_text(segment.begin) + " had not settled when it ended");
}

}  // namespace

Summary summarise(std::span<const Segment> segments, const RunTotals& totals,
                  std::span<const std::string> segment_warnings, int clock_steps) {
  Summary summary;
  summary.samples = totals.samples();
  summary.gap_s = totals.gap_s();
  summary.energy_wh = totals.energy_wh();
  summary.peak_w = totals.peak_w();
  for (const Segment& segment : segments) ++summary.segments[static_cast<std::size_t>(segment.kind)];
  summary.idle = pooled_level(segments, SegmentKind::idle);
  summary.standby = pooled_level(segments, SegmentKind::standby);
  if (const Segment* load = load_segment(segments))
    summary.load = Figure{*load->level_w, load->uncertainty_w.value_or(0.0), parts_of(*load)};
  warn_of_record(summary, segments, totals, clock_steps);
  summary.warnings.insert(summary.warnings.end(), segment_warnings.begin(), segment_warnings.end());
  return summary;
}

}  // namespace nightwatt
