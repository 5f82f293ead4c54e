#include "segment/segment_edges.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "measure/segment/bend_fit.hpp"

namespace nightwatt {

namespace {

constexpr double jump_reach_s = 10.0;         // of the levels on either side of a jump
constexpr std::size_t jump_least_points = 3;  // of each level, if there are as many
constexpr std::ptrdiff_t engine_off_by = 4;   // points: the engine sees medians of three, on a bent scale
constexpr std::size_t beside_points = 3;      // of a level that may settle: what it is just here
constexpr double sure_step = 6.0;          // deviations: below, the readings of a mixed second say nothing of its parts
constexpr double mixed_least_share = 0.1;  // of a step: less is overshoot or noise
constexpr std::size_t break_least_points = 4;  // of each line
constexpr double bend_level_s = 30.0;          // of the level beside a ramp, at least
constexpr double lost_factor = 1.5;            // of the median interval: beyond, a reading is missing
constexpr double k2 = 2.0;

double seconds_between(UtcTime from, UtcTime to) {
  return to_seconds(to - from).value;
}

double spread_of(double width_s) {  // variance of a rectangle
  return width_s * width_s / 12.0;
}

/// How long the readings of a point stand for: of a single reading nothing, of n readings n intervals.
double span_s(const EdgePoint& p) {
  if (p.n < 2) return 0.0;
  const auto n = static_cast<double>(p.n);
  return seconds_between(p.first, p.last) * n / (n - 1.0);
}

/// Energy and number of the readings of [from, to); between two of them the nearer one holds, so that nothing of a
/// level is counted beyond its edge.
struct Between {
  double energy_ws = 0.0;
  std::int64_t samples = 0;
};

Between between(const std::vector<EdgePoint>& points, UtcTime from, UtcTime to) {
  Between sum;
  double count = 0.0;
  UtcTime begin = from;
  for (std::size_t i = 0; i < points.size(); ++i) {
    const EdgePoint& p = points[i];
    if (p.n < 2) {
      count += p.first >= from && p.first < to ? 1.0 : 0.0;
    } else {
      const double whole = seconds_between(p.first, p.last);
      const double both = seconds_between(std::max(p.first, from), std::min(p.last, to));
      count += whole > 0.0 ? std::clamp(both / whole, 0.0, 1.0) * static_cast<double>(p.n) : 0.0;
    }
    const UtcTime half =
        i + 1 < points.size() ? p.middle() + Duration((points[i + 1].middle() - p.middle()).count() / 2) : to;
    const UtcTime end = std::clamp(half, begin, to);
    sum.energy_ws += seconds_between(begin, end) * p.mean;
    begin = end;
  }
  sum.samples = std::llround(count);
  return sum;
}

void move_edge(Piece& before, Piece& after, UtcTime edge, double uncertainty_s, const std::vector<EdgePoint>& points) {
  Regime& a = before.regime;
  Regime& b = after.regime;
  a.end_uncertainty_s = b.begin_uncertainty_s = uncertainty_s;
  if (edge == a.end) return;
  const bool earlier = edge < a.end;
  Regime& giver = earlier ? a : b;
  Regime& taker = earlier ? b : a;
  const Between moved = between(points, std::min(edge, a.end), std::max(edge, a.end));
  const double moved_s = std::abs(seconds_between(edge, a.end));
  const std::int64_t samples = std::min(moved.samples, giver.samples);
  giver.samples -= samples;
  taker.samples += samples;
  giver.energy_ws -= moved.energy_ws;
  taker.energy_ws += moved.energy_ws;
  giver.covered_s -= moved_s;
  taker.covered_s += moved_s;
  for (const EdgePoint& p : points) {
    if (p.middle() < std::min(edge, a.end) || p.middle() >= std::max(edge, a.end)) continue;
    const auto n = static_cast<double>(p.n);
    (earlier ? after : before).line.add(seconds_of(p.middle()), p.mean, n);
    (earlier ? before : after).line.add(seconds_of(p.middle()), p.mean, -n);
  }
  a.end = edge;
  b.begin = edge;
  if (earlier)
    a.sketch.drop_from(edge);
  else
    b.sketch.drop_before(edge);
}

/// Both sides' readings near the edge in order, and how many are of the first.
struct Facing {
  std::vector<EdgePoint> points;
  std::size_t split = 0;
};

Facing facing(const Piece& before, const Piece& after) {
  Facing f;
  f.points = before.last_points;
  f.split = f.points.size();
  f.points.insert(f.points.end(), after.first_points.begin(), after.first_points.end());
  return f;
}

/// A part may not lose more than a third of itself.
bool may_move(const Piece& before, const Piece& after, UtcTime edge) {
  const auto third = [](const Piece& p) { return Duration((p.regime.end - p.regime.begin).count() / 3); };
  return edge > before.regime.begin + third(before) && edge < after.regime.end - third(after);
}

// ---- jumps

/// The levels on either side of a split, and the readings' squares about them.
struct Levels {
  double before = 0.0, after = 0.0, rest = 0.0;
};

Levels levels_at(const std::vector<EdgePoint>& p, std::size_t split) {
  Levels l;
  double na = 0.0, nb = 0.0;
  for (std::size_t i = 0; i < p.size(); ++i) {
    double& mean = i < split ? l.before : l.after;
    double& n = i < split ? na : nb;
    const double d = p[i].mean - mean;
    mean += d / ++n;
    l.rest += d * (p[i].mean - mean);
  }
  return l;
}

/// The levels just beside a split, the two points at it left out, which may hold some of both; the squares are those of
/// all other points about their own side's mean.
Levels levels_beside(const std::vector<EdgePoint>& p, std::size_t split) {
  const std::size_t old_stop = split > 1 ? split - 1 : split;
  const std::size_t fresh = split + 1 < p.size() ? split + 1 : split;
  std::vector<EdgePoint> rest(p.begin(), p.begin() + static_cast<std::ptrdiff_t>(old_stop));
  rest.insert(rest.end(), p.begin() + static_cast<std::ptrdiff_t>(fresh), p.end());
  Levels l = levels_at(rest, old_stop);
  const auto mean = [&](std::size_t from, std::size_t to) {
    double sum = 0.0;
    for (std::size_t i = from; i < to; ++i) sum += p[i].mean;
    return sum / static_cast<double>(to - from);
  };
  l.before = mean(old_stop > beside_points ? old_stop - beside_points : 0, old_stop);
  l.after = mean(fresh, std::min(fresh + beside_points, p.size()));
  return l;
}

struct Instant {
  UtcTime at;
  double variance = 0.0;
};

/// A reading between both levels is a mean of them: a meter averages over the time since its last reading, and the
/// share of the new level says when in it the level jumped. nullopt where it is no such reading.
std::optional<UtcTime> within(const EdgePoint& before, const EdgePoint& mixed, const Levels& l,
                              double standard_deviation) {
  const double step = l.after - l.before;
  const double share = (mixed.mean - l.before) / step;
  const double least = std::max(mixed_least_share, sure_step * standard_deviation / std::abs(step));
  if (mixed.n > 1 || before.n > 1 || !(share > least) || !(share < 1.0 - least)) return std::nullopt;
  return mixed.first - to_duration({share * seconds_between(before.first, mixed.first)});
}

/// The instant of a jump between two neighbouring points.
Instant instant_of(const EdgePoint& last, const EdgePoint& next, const Levels& l, double standard_deviation,
                   const PieceRules& rules) {
  const double link_s = seconds_between(last.last, next.first);
  const double step = l.after - l.before;
  if (last.n > 1 || next.n > 1) {
    // Of a second in which the level jumped the mean tells when it did.
    const double spans = span_s(last) + span_s(next);
    if (std::abs(step) < sure_step * standard_deviation)
      return {last.last + Duration((next.first - last.last).count() / 2), spread_of(link_s + spans)};
    const auto old_share = [&](const EdgePoint& p) { return std::clamp((l.after - p.mean) / step, 0.0, 1.0); };
    const double old_s = old_share(last) * span_s(last) + old_share(next) * span_s(next);
    const double unsure_s = standard_deviation / std::abs(step) * spans;
    const double interval_s = rules.interval_s;
    // The shares lead to the first new reading; the jump lies somewhere in the interval before it.
    UtcTime at = last.first + to_duration({old_s - interval_s / 2.0});
    at = std::clamp(at, last.first, next.last);
    return {at, unsure_s * unsure_s + spread_of(interval_s)};
  }
  // A meter that changes its range at a jump loses readings after it, not before: the jump lies in the first interval.
  if (rules.interval_s > 0.0 && link_s > lost_factor * rules.interval_s)
    return {last.last + to_duration({rules.interval_s / 2.0}), spread_of(link_s)};
  return {last.last + Duration((next.first - last.last).count() / 2), spread_of(link_s)};
}

void place_jump(Piece& before, Piece& after, const PieceRules& rules) {
  Facing f = facing(before, after);
  // Beyond the reach a settling curve or an earlier step would count as noise; few readings of a slow meter all count.
  const UtcTime edge = before.regime.end;
  std::size_t first = 0;
  while (f.split - first > jump_least_points && seconds_between(f.points[first].first, edge) > jump_reach_s) ++first;
  std::size_t stop = f.points.size();
  while (stop - f.split > jump_least_points && seconds_between(edge, f.points[stop - 1].first) > jump_reach_s) --stop;
  const std::vector<EdgePoint> p(f.points.begin() + static_cast<std::ptrdiff_t>(first),
                                 f.points.begin() + static_cast<std::ptrdiff_t>(stop));
  if (p.size() < 4 || f.split == first || stop == f.split) return;
  std::vector<Levels> all(p.size());
  std::size_t best = f.split - first;
  const auto lowest =
      static_cast<std::size_t>(std::max<std::ptrdiff_t>(2, static_cast<std::ptrdiff_t>(best) - engine_off_by));
  const std::size_t highest = std::min(p.size() - 2, best + static_cast<std::size_t>(engine_off_by));
  all[best] = levels_at(p, best);
  for (std::size_t k = lowest; k <= highest; ++k) {
    all[k] = levels_at(p, k);
    if (all[k].rest < all[best].rest) best = k;
  }
  const Levels& l = all[best];
  const double step_variance = rules.step_w * rules.step_w / 12.0;
  const double variance = std::max(l.rest / std::max(1.0, static_cast<double>(p.size()) - 3.0), step_variance) + 1e-18;
  const auto off = [&](std::size_t i) { return p[i].mean - (i < best ? l.before : l.after); };
  const double scale = 2.0 * variance * inflation(p.size(), best, off);
  const Levels close = levels_beside(p, best);
  const double clean = std::sqrt(std::max(close.rest / static_cast<double>(p.size()), step_variance));
  Instant found = instant_of(p[best - 1], p[best], close, clean, rules);
  if (const auto late = within(p[best - 1], p[best], close, clean))
    found.at = *late;
  else if (const auto early = best < 2 ? std::nullopt : within(p[best - 2], p[best - 1], close, clean))
    found.at = *early;
  double weights = 0.0, squares = 0.0;
  for (std::size_t k = lowest; k <= highest; ++k) {
    const double w = std::exp(std::max(-700.0, (l.rest - all[k].rest) / scale));
    const Instant other = k == best ? found : instant_of(p[k - 1], p[k], close, clean, rules);
    const double d = seconds_between(found.at, other.at);
    weights += w;
    squares += w * (d * d + other.variance);
  }
  const double uncertainty_s = k2 * std::sqrt(weights > 0.0 ? squares / weights : found.variance);
  if (may_move(before, after, found.at))
    move_edge(before, after, found.at, uncertainty_s, f.points);
  else
    before.regime.end_uncertainty_s = after.regime.begin_uncertainty_s = uncertainty_s;
}

// ---- ramps

struct Series {
  std::vector<double> x, y;
  void add(const EdgePoint& p, UtcTime origin) {
    x.push_back(seconds_between(origin, p.middle()));
    y.push_back(p.mean);
  }
};

/// The readings of a ramp's half that touches the edge, or all but one of a short one.
bool in_half(const Piece& ramp, const EdgePoint& p, bool first_half) {
  const std::int64_t half = (ramp.regime.end - ramp.regime.begin).count() / 2;
  const UtcTime middle = ramp.regime.begin + Duration(half);
  if (ramp.points < 8) return first_half ? p.last < ramp.regime.end : p.first > ramp.regime.begin;
  return first_half ? p.middle() <= middle : p.middle() >= middle;
}

/// Least squares of one line through points [from, to).
struct LinePiece {
  LineSums sums;
  double rest = 0.0;
};

LinePiece line_through(const Series& s, std::size_t from, std::size_t to) {
  LinePiece line;
  for (std::size_t i = from; i < to; ++i) line.sums.add(s.x[i], s.y[i]);
  for (std::size_t i = from; i < to; ++i) {
    const double r = s.y[i] - line.sums.at(s.x[i]);
    line.rest += r * r;
  }
  return line;
}

/// Two lines that do not meet: a ramp that ends in a jump, to a level that then settles.
struct Break {
  double at = 0.0;
  double standard_deviation = 0.0;  ///< every split by its likelihood, each with the interval it lies in
  double rest = 1e300;
  double inflation = 1.0;
};

std::optional<Break> best_break(const Series& s, double least_variance) {
  const std::size_t size = s.x.size();
  if (size < 2 * break_least_points) return std::nullopt;
  Break best;
  std::size_t split = 0;
  std::vector<double> rests(size, 1e300);
  for (std::size_t k = break_least_points; k + break_least_points <= size; ++k) {
    rests[k] = line_through(s, 0, k).rest + line_through(s, k, size).rest;
    if (rests[k] < best.rest) best.rest = rests[k], split = k;
  }
  const LinePiece first = line_through(s, 0, split), second = line_through(s, split, size);
  best.inflation =
      inflation(size, split, [&](std::size_t i) { return s.y[i] - (i < split ? first : second).sums.at(s.x[i]); });
  best.at = (s.x[split - 1] + s.x[split]) / 2.0;
  const double variance = std::max(best.rest / std::max(1.0, static_cast<double>(size) - 5.0), least_variance) + 1e-18;
  double weights = 0.0, squares = 0.0;
  for (std::size_t k = break_least_points; k + break_least_points <= size; ++k) {
    const double w = std::exp(std::max(-700.0, (best.rest - rests[k]) / (2.0 * variance * best.inflation)));
    const double d = (s.x[k - 1] + s.x[k]) / 2.0 - best.at;
    weights += w;
    squares += w * (d * d + spread_of(s.x[k] - s.x[k - 1]));
  }
  best.standard_deviation = std::sqrt(squares / weights);
  return best;
}

/// Whether `more` unknowns that bring the squares down to `rest` earn ln n each; n counts independent points.
bool earns(const Series& s, double rest_before, double rest, double inflation, double more, double least_variance) {
  const auto n = static_cast<double>(s.x.size());
  const double floor = n * least_variance + 1e-18;
  return n / inflation * std::log((rest_before + floor) / (rest + floor)) > more * std::log(n);
}

/// The bend between a level and a ramp. What follows a ramp may go on to settle: a second slope where it earns its
/// keep.
void place_bend(Piece& before, Piece& after, bool ramp_follows, const PieceRules& rules) {
  const Facing f = facing(before, after);
  const Piece& ramp = ramp_follows ? after : before;
  const UtcTime origin = before.regime.end;
  // A slow ramp needs a long look at the level; beside a fast one the level may settle.
  const double level_s = std::max(bend_level_s, length_s(ramp) / 2.0);
  Series s;
  for (std::size_t i = 0; i < f.points.size(); ++i) {
    const bool of_ramp = (i < f.split) != ramp_follows;
    if (!of_ramp && std::abs(seconds_between(origin, f.points[i].middle())) > level_s) continue;
    if (!of_ramp || in_half(ramp, f.points[i], ramp_follows)) s.add(f.points[i], origin);
  }
  const double least_variance = rules.step_w * rules.step_w / 12.0;
  std::optional<BendFit> fit = fit_bend(s.x, s.y, {ramp_follows, !ramp_follows}, least_variance);
  if (!fit) return;
  if (!ramp_follows) {
    const std::optional<BendFit> free = fit_bend(s.x, s.y, {}, least_variance);
    if (free && earns(s, fit->residual_squares, free->residual_squares, free->inflation, 2.0, least_variance))
      fit = free;
    const std::optional<Break> broken = best_break(s, least_variance);
    if (broken && earns(s, fit->residual_squares, broken->rest, broken->inflation, 3.0, least_variance)) {
      const UtcTime at = origin + to_duration({broken->at});
      if (may_move(before, after, at)) move_edge(before, after, at, k2 * broken->standard_deviation, f.points);
      return;
    }
  }
  // The ramp's own line must be the steeper one and go the ramp's way.
  const double way = ramp.regime.line_end_w - ramp.regime.line_begin_w;
  const double slope = ramp_follows ? fit->slope_after : fit->slope_before;
  const double other = ramp_follows ? fit->slope_before : fit->slope_after;
  if (slope * way <= 0.0 || std::abs(other) > 0.7 * std::abs(slope)) return;
  const UtcTime edge = origin + to_duration({fit->at});
  const double half_s = std::max(fit->at_high - fit->at, fit->at - fit->at_low);
  const double uncertainty_s = std::hypot(half_s, k2 * std::sqrt(spread_of(std::max(rules.interval_s, 0.0))));
  if (may_move(before, after, edge)) move_edge(before, after, edge, uncertainty_s, f.points);
}

}  // namespace

void place_edge(Piece& before, Piece& after, const PieceRules& rules) {
  const bool ramp_before = before.regime.shape == RegimeShape::ramp;
  const bool ramp_after = after.regime.shape == RegimeShape::ramp;
  const auto is_steady = [](const Piece& p) {
    return p.regime.shape == RegimeShape::steady || p.regime.shape == RegimeShape::decay;
  };
  const bool steady_before = is_steady(before);
  const bool steady_after = is_steady(after);
  if (steady_before && steady_after)
    place_jump(before, after, rules);
  else if ((steady_before && ramp_after) || (ramp_before && steady_after))
    place_bend(before, after, ramp_after, rules);
}

void draw_line(Piece& ramp) {
  Regime& r = ramp.regime;
  r.line_begin_w = ramp.line.at(seconds_of(r.begin));
  r.line_end_w = ramp.line.at(seconds_of(r.end));
}

}  // namespace nightwatt
