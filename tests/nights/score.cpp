#include "score.hpp"

#include <algorithm>
#include <cmath>

namespace nightwatt::nights {

namespace {

/// Counts in millionths of a watt: no display shows less.
Decimal decimal_of(double power_w) {
  return {std::llround(power_w * 1e6), -6};
}

void judge(FigureScore& score, const TrueFigure& truth, const std::optional<Figure>& found, double step_w) {
  if (!truth.judged) return;
  if (!truth.value_w) {
    score.judged += found ? 1 : 0;
    score.wrong += found ? 1 : 0;
    return;
  }
  ++score.judged;
  if (!found) {
    ++score.missing;
    return;
  }
  const double error_w = std::abs(found->value - *truth.value_w);
  if (error_w > found->uncertainty && error_w > tolerance_w(*truth.value_w, step_w))
    ++score.wrong;
  else if (found->uncertainty > std::max({0.05 * *truth.value_w, 1.2 * step_w, 0.1}))
    ++score.vague;
}

/// Seconds of [a, b) that lie in [c, d).
double overlap_s(double a, double b, double c, double d) {
  return std::max(0.0, std::min(b, d) - std::max(a, c));
}

double seconds(UtcTime time) {
  return static_cast<double>(time.us) * 1e-6;
}

const Segment* most_of(const TrueSegment& truth, const std::vector<Segment>& segments) {
  const Segment* best = nullptr;
  double most = 0.0;
  for (const Segment& segment : segments) {
    const double both = overlap_s(truth.begin_s, truth.end_s, seconds(segment.begin), seconds(segment.end));
    if (both <= most) continue;
    most = both;
    best = &segment;
  }
  return best;
}

void judge_kinds(Score& score, const TrueSegment& truth, const std::vector<Segment>& segments) {
  const double begin = truth.unclear_until_s, end = truth.unclear_from_s;
  if (!truth.judged || end <= begin) return;
  for (const Segment& segment : segments) {
    const double both = overlap_s(begin, end, seconds(segment.begin), seconds(segment.end));
    score.judged_s += both;
    if (segment_kind_name(segment.kind) == kind_name(truth.kind)) score.right_s += both;
  }
}

}  // namespace

SegmenterSettings settings_of(const Meter& meter) {
  SegmenterSettings settings;
  if (meter.declared) settings.traits.resolution_w = meter.step_w;
  settings.traits.rounding = meter.truncates ? Rounding::truncates : Rounding::rounds;
  return settings;
}

Found find(const std::vector<std::pair<std::int64_t, double>>& readings, const SegmenterSettings& settings) {
  Segmenter segmenter(settings);
  RunTotals totals;
  Reading reading;
  for (const auto& [us, power_w] : readings) {
    reading.time = UtcTime{us};
    reading.values.set(Quantity::power, decimal_of(power_w));
    segmenter.push(reading.time, power_w);
    totals.push(reading);
  }
  ClassifyInput input;
  input.settings = settings;
  input.run_begin = UtcTime{readings.front().first};
  input.run_end = UtcTime{readings.back().first};
  segmenter.finish(input.run_end);
  const std::vector<Regime> regimes = segmenter.take_final();
  input.final_count = regimes.size();
  input.learnt = segmenter.learnt();
  Classified classified = classify(regimes, input);
  Found found;
  found.summary =
      summarise(classified.segments, totals, classified.warnings, 0, {input.learnt.step_w, settings.traits.accuracy});
  found.segments = std::move(classified.segments);
  return found;
}

std::optional<Figure> figure_of(const Summary& summary, FigureName name) {
  switch (name) {
    case FigureName::idle:
      return summary.idle;
    case FigureName::load:
      return summary.load;
    case FigureName::standby:
      return summary.standby;
    case FigureName::sustained:
      return summary.sustained;
    case FigureName::baseline:
      return summary.baseline;
  }
  return std::nullopt;
}

double tolerance_w(double true_w, double step_w) {
  return std::max({0.015 * true_w, 0.2 * step_w, 0.03});
}

void FigureScore::add(const FigureScore& other) {
  judged += other.judged;
  missing += other.missing;
  wrong += other.wrong;
  vague += other.vague;
}

void Score::add(const Score& other) {
  nights += other.nights;
  readings += other.readings;
  for (std::size_t i = 0; i < figure_count; ++i) figures[i].add(other.figures[i]);
  levels.add(other.levels);
  judged_s += other.judged_s;
  right_s += other.right_s;
}

int Score::failures() const {
  int count = 0;
  for (const FigureScore& figure : figures) count += figure.missing + figure.wrong;
  return count;
}

Score score(const Night& night, const Found& found) {
  Score result;
  result.nights = 1;
  result.readings = static_cast<std::int64_t>(night.readings.size());
  const double step_w = night.plan.meter.step_w;
  for (std::size_t i = 0; i < figure_count; ++i) {
    const FigureName name = static_cast<FigureName>(i);
    judge(result.figures[i], night.truth.figures[i], figure_of(found.summary, name), step_w);
  }
  for (const TrueSegment& truth : night.truth.segments) {
    if (night.truth.kinds_judged) judge_kinds(result, truth, found.segments);
    if (!truth.level_w) continue;
    const Segment* segment = most_of(truth, found.segments);
    std::optional<Figure> level;
    if (segment != nullptr && segment->level_w) level = Figure{*segment->level_w, segment->uncertainty_w.value_or(0.0)};
    judge(result.levels, {true, truth.level_w}, level, step_w);
  }
  return result;
}

}  // namespace nightwatt::nights
