#include "measure/run/baseline.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <string>
#include <vector>

#include "measure/segment/states.hpp"
#include "measure/uncertainty/distributions.hpp"

namespace nightwatt {

namespace {

/// The contract's: a longer departure is no part of idling.
constexpr double longest_departure_s = 300.0;
/// From as many whole cycles on (from one departure to the next) their own scatter is believed; with fewer the
/// departures are taken to come by chance.
constexpr std::size_t enough_cycles = 4;
/// Both tails of the interval that k = 2 stands for.
constexpr double tail = 0.5 * (1.0 - 0.9545);
constexpr double infinity = std::numeric_limits<double>::infinity();

/// Energy over the time that readings cover.
struct Sum {
  double watt_seconds = 0.0;
  double seconds = 0.0;
  void add(const Sum& other) { watt_seconds += other.watt_seconds, seconds += other.seconds; }
  [[nodiscard]] double mean_w() const { return seconds > 0.0 ? watt_seconds / seconds : 0.0; }
};

Sum sum_of(const Segment& segment) {
  if (segment.kind == SegmentKind::gap || !segment.mean_w) return {};
  // What a display that stands still or cuts off hides of a level is hidden all the time.
  const double hidden_w = segment.level_w && segment.shown_w ? *segment.level_w - *segment.shown_w : 0.0;
  return {(*segment.mean_w + hidden_w) * length_s(segment), length_s(segment)};
}

bool is_idle(const Segment& segment) {
  return segment.kind == SegmentKind::idle && segment.mean_w;
}

bool ends_idling(const Segment& segment) {
  return segment.kind == SegmentKind::off || segment.kind == SegmentKind::charging;
}

/// The longest; of two alike the first.
std::span<const Segment> longest_span(std::span<const Segment> segments) {
  std::span<const Segment> longest;
  double longest_s = -1.0;
  for (std::size_t i = 0; i < segments.size();) {
    if (!is_idle(segments[i])) {
      ++i;
      continue;
    }
    std::size_t last = i;  // of the span so far, an idle one
    double away_s = 0.0;
    std::size_t next = i + 1;
    for (; next < segments.size() && !ends_idling(segments[next]); ++next) {
      if (is_idle(segments[next])) {
        last = next;
        away_s = 0.0;
        continue;
      }
      away_s += length_s(segments[next]);
      if (away_s > longest_departure_s) break;
    }
    const double span_s = to_seconds(segments[last].end - segments[i].begin).value;
    if (span_s > longest_s) longest = segments.subspan(i, last - i + 1), longest_s = span_s;
    i = last + 1;
  }
  return longest;
}

/// A span told apart into idle and what departed from it.
struct Told {
  Sum all, idle, away;
  std::vector<Sum> departures;
  std::vector<Sum> cycles;  ///< from the end of one departure to the end of the next: the first is not whole
  std::vector<UncertaintyPart> idle_random;  ///< of their means, each times its length
  double idle_systematic_ws = 0.0;           ///< what the display may have hidden all the time, times its length
  double excursions_ws2 = 0.0;               ///< variance of the energy of short excursions, counted in the idles
};

/// Short excursions come by chance: as many more or less as the root of their number.
double excursion_variance_ws2(const Segment& idle) {
  if (idle.excursions < 1 || !idle.level_w) return 0.0;
  const double excess_ws = (*idle.mean_w - idle.shown_w.value_or(*idle.level_w)) * length_s(idle);
  return excess_ws * excess_ws / static_cast<double>(idle.excursions);
}

Told told(std::span<const Segment> span) {
  Told out;
  Sum cycle, departure;
  bool away = false;
  for (const Segment& segment : span) {
    const Sum sum = sum_of(segment);
    out.all.add(sum);
    if (is_idle(segment)) {
      if (away) {
        out.departures.push_back(departure);
        out.cycles.push_back(cycle);
        departure = cycle = {};
      }
      const LevelParts parts = parts_of(segment);
      out.idle.add(sum);
      out.idle_random.push_back({sum.seconds * parts.random_w, parts.random_degrees_of_freedom});
      out.idle_systematic_ws += sum.seconds * parts.systematic_w;
      out.excursions_ws2 += excursion_variance_ws2(segment);
    } else {
      out.away.add(sum);
      departure.add(sum);
    }
    away = !is_idle(segment);
    cycle.add(sum);
  }
  return out;
}

/// Mean square of what a departure adds above idle, Ws.
double squared_departure(const Told& told) {
  double squares = 0.0;
  for (const Sum& one : told.departures) {
    const double excess = one.watt_seconds - told.idle.mean_w() * one.seconds;
    squares += excess * excess;
  }
  return squares / static_cast<double>(told.departures.size());
}

/// Standard uncertainty of the mean by the number and size of departures: of a renewal process with reward, from the
/// scatter of its whole cycles about the mean (Cochran, Sampling Techniques, 1977, 6.4, the ratio estimator; from
/// memory), and where these are too few, as if departures came by chance, from Poisson's interval of their number
/// (Garwood, Biometrika 28 (1936) 437; from memory).
BudgetPart departures_part(const Told& told) {
  const auto count = static_cast<double>(told.departures.size());
  const std::size_t whole = told.cycles.size() - 1;
  const double edge_ws = std::sqrt(squared_departure(told) / 6.0);  // the span begins and ends anywhere in a cycle
  if (whole >= enough_cycles) {
    double squares = 0.0;
    for (std::size_t i = 1; i < told.cycles.size(); ++i) {
      const double off = told.cycles[i].watt_seconds - told.all.mean_w() * told.cycles[i].seconds;
      squares += off * off;
    }
    const double degrees_of_freedom = static_cast<double>(whole) - 1.0;
    const double by_cycles_ws = std::sqrt(squares / degrees_of_freedom * count);
    const std::vector<UncertaintyPart> both = {{by_cycles_ws, degrees_of_freedom}, {edge_ws, infinity}};
    return random_part(PartKind::departures, combined_uncertainty(both) / told.all.seconds,
                       effective_degrees_of_freedom(both))
        .with(PartBasis::departures_by_cycles, count, std::sqrt(squares / degrees_of_freedom));
  }
  const double more = 0.5 * chi_squared_quantile(1.0 - tail, 2.0 * count + 2.0) - count;
  const double by_chance_ws = 0.5 * more * std::sqrt(squared_departure(told));
  return random_part(PartKind::departures, by_chance_ws / told.all.seconds, infinity)
      .with(PartBasis::few_departures, count);
}

}  // namespace

std::optional<Baseline> baseline_of(std::span<const Segment> segments, const RunMeter& meter) {
  const std::span<const Segment> span = longest_span(segments);
  if (span.empty()) return std::nullopt;
  const Told parts = told(span);
  if (!(parts.all.seconds > 0.0)) return std::nullopt;
  Baseline result;
  result.begin = span.front().begin;
  result.end = span.back().end;
  result.departures = static_cast<int>(parts.departures.size());
  result.departed_s = parts.away.seconds;
  LevelBudget& budget = result.budget;
  budget.level_w = parts.all.mean_w();
  budget.step_w = meter.step_w;
  for (const Segment& segment : span) budget.readings += segment.samples;
  const double seconds = parts.all.seconds;
  budget.parts.push_back(random_part(PartKind::statistics, combined_uncertainty(parts.idle_random) / seconds,
                                     std::max(1.0, effective_degrees_of_freedom(parts.idle_random)))
                             .with(PartBasis::idle_levels));
  if (result.departures > 0) budget.parts.push_back(departures_part(parts));
  if (parts.excursions_ws2 > 0.0)
    budget.parts.push_back(random_part(PartKind::excursions, std::sqrt(parts.excursions_ws2) / seconds, infinity)
                               .with(PartBasis::short_excursions));
  const double display_ws = parts.idle_systematic_ws + parts.away.seconds * meter.step_w / std::sqrt(12.0);
  budget.parts.push_back(rectangular_part(PartKind::display_step, std::sqrt(3.0) * display_ws / seconds)
                             .with(PartBasis::same_all_the_time));
  if (meter.accuracy)
    budget.parts.push_back(rectangular_part(PartKind::meter_accuracy, meter.accuracy->half_width(budget.level_w))
                               .with(PartBasis::promise));
  complete(budget);
  return result;
}

}  // namespace nightwatt
