#include <algorithm>
#include <array>
#include <cmath>

#include "segment/segment_models.hpp"
#include "segment/weighted_mean.hpp"

namespace nightwatt {

namespace {

constexpr double curve_cost = 8.0;  // two numbers more than a level
constexpr double ramp_cost = 2.5;   // its ends are its neighbours' levels
// Of its way: how nearly a ramp is straight and a curve exponential. The looser is paid for by what it lets pass.
constexpr std::array<double, 2> shape_shares = {0.01, 0.05};
constexpr double instant_share = 0.1;       // of the time between readings: so well is a reading's instant known
constexpr double decay_share = 0.15;        // of its limit: a curve that falls by more is no load that settles
constexpr std::ptrdiff_t curve_pieces = 5;  // that tell a curve far from its limit from a step
constexpr double decay_s = 120.0;           // and has at least this time constant

/// Weighted least squares of y = a u + b v.
struct TwoFit {
  double uu = 0.0, uv = 0.0, vv = 0.0, uy = 0.0, vy = 0.0, yy = 0.0;
  void add(double u, double v, double y, double variance) {
    uu += u * u / variance, uv += u * v / variance, vv += v * v / variance;
    uy += u * y / variance, vy += v * y / variance, yy += y * y / variance;
  }
  [[nodiscard]] double determinant() const { return uu * vv - uv * uv; }
  [[nodiscard]] bool sound() const { return determinant() > 1e-12 * uu * vv; }
  [[nodiscard]] double a() const { return (vv * uy - uv * vy) / determinant(); }
  [[nodiscard]] double b() const { return (uu * vy - uv * uy) / determinant(); }
  /// Half the weighted squares that are left: nats.
  [[nodiscard]] double rest() const { return 0.5 * std::max(0.0, yy - a() * uy - b() * vy); }
};

/// Mean of exp(-t / tau) over a piece, and the way of its least-squares line; t from the curve's begin. tau 0: of the
/// straight line from 0 to 1.
struct Basis {
  double mean = 0.0, lean = 0.0;
};
Basis basis(const Evidence& e, double begin_s, double all_s, double tau_s) {
  const double l = e.length_s, a = e.middle_s - l / 2.0 - begin_s;
  if (tau_s == 0.0) return {(a + l / 2.0) / all_s, l / all_s};
  const double h = l / tau_s, first = std::exp(-a / tau_s), last = std::exp(-(a + l) / tau_s);
  if (h < 0.05) return {std::exp(-(a + l / 2.0) / tau_s), -h * std::exp(-(a + l / 2.0) / tau_s)};
  return {(first - last) / h, 12.0 / (h * h) * ((first - last) - h * (first + last) / 2.0)};
}

/// What a model pays for predicting a mean no better than this: the logarithm of how much wider it spreads, but no
/// more than irregular work pays, which predicts nothing.
double let_pass(const Evidence& e, double misfit) {
  static const double most = std::expm1(2.0 * irregular_piece);
  const double wider = misfit * misfit / e.mean_variance;
  return wider < most ? 0.5 * std::log1p(wider) : irregular_piece;
}

/// How long pieces in a row last.
double length_of(Evidences part) {
  return part.back().begin_s + part.back().length_s - part.front().begin_s;
}

// ---- a curve that settles, or drifts

/// Piece `k` of a curve is none of it: short and far from both neighbours.
bool blip(Evidences part, std::size_t k) {
  if (k == 0 || k + 1 == part.size() || !part[k].brief) return false;
  const double before = part[k].mean_w - part[k - 1].mean_w, after = part[k].mean_w - part[k + 1].mean_w;
  const double least = 3.0 * std::sqrt(part[k].mean_variance);
  return before * after > 0.0 && std::min(std::abs(before), std::abs(after)) > least;
}

/// None where it would cost `too_much`.
Curve fit(Evidences part, double tau_s, double share, double too_much) {
  const double begin_s = part.front().begin_s, all_s = length_of(part);
  double rest = 0.0;
  TwoFit fit;
  for (std::size_t k = 0; k < part.size(); ++k) {
    const Evidence& e = part[k];
    if (blip(part, k)) {
      rest += excursion_cost;
      continue;
    }
    const Basis b = basis(e, begin_s, all_s, tau_s);
    // A curve is exponential to a share of what is still to go: near its limit it tells a step again.
    const double misfit = share * (part.back().mean_w - part.front().mean_w) * b.mean;
    rest += let_pass(e, misfit);
    if (rest >= too_much) return {};
    const double wander = e.brief ? 0.0 : (1.0 - e.step_before) * e.wander_variance;
    fit.add(1.0, b.mean, e.mean_w, e.mean_variance + wander + misfit * misfit);
    fit.add(0.0, b.lean, e.lean_w, e.lean_variance + misfit * misfit);
  }
  if (!fit.sound()) return {};
  return {rest + fit.rest(), fit.a(), fit.b(), tau_s};
}

Curve fit(Evidences part, double tau_s) {
  Curve best;
  for (const double share : shape_shares) {
    const Curve c = fit(part, tau_s, share, best.cost);
    if (c.cost < best.cost) best = c;
  }
  return best;
}

/// So far and so slowly that it is no load that settles.
bool falls_far(const Curve& c, double length_s) {
  const double way = c.amplitude_w * (1.0 - std::exp(-length_s / std::max(c.tau_s, 1.0)));
  return c.tau_s >= decay_s && way > decay_share * std::abs(c.limit_w);
}

/// What is still to go is no more than a level wanders, or than a display shows.
bool has_ended(const Curve& c, double length_s, double step_w) {
  return std::abs(c.at(length_s) - c.limit_w) < std::max({wander_share * c.limit_w, step_w / 2.0, tolerance_w});
}

/// The cheapest curve through pieces; its cost is infinite where none will do.
Curve best_curve(Evidences part, double step_w) {
  const double all_s = length_of(part);
  Curve best;
  // Two numbers through two or three means fit anything: a way that far has to be seen.
  const auto seen = [&](const Curve& c) {
    return std::abs(c.amplitude_w) <= decay_share * std::abs(c.limit_w) ||
           std::count_if(part.begin(), part.end(), [&](const Evidence& e) {
             return (e.points >= least_points || !e.brief) && !has_ended(c, e.begin_s - part[0].begin_s, step_w);
           }) >= curve_pieces;
  };
  const auto ends_as_level = [&](const Curve& c) { return falls_far(c, all_s) && has_ended(c, all_s, step_w); };
  for (double tau_s = 10.0; tau_s <= all_s; tau_s *= 1.25)
    if (const Curve c = fit(part, tau_s); c.cost < best.cost && !ends_as_level(c) && seen(c)) best = c;
  if (best.cost == infinity) return best;
  for (const double factor : {1.1, 1.05, 1.025})
    for (const double tau_s : {best.tau_s * factor, best.tau_s / factor})
      if (const Curve c = fit(part, tau_s); c.cost < best.cost && !ends_as_level(c)) best = c;
  return best;
}

// ---- a straight line

/// What is left of pieces about the best line that sets out at `from_w` and arrives `way` further, both as nearly as a
/// line and a display's count allow.
double straight(Evidences part, double from_w, double way, double share, const PieceRules& rules) {
  const double begin_s = part.front().begin_s, all_s = length_of(part);
  TwoFit line;
  double rest = 0.0;
  // Where it begins and ends is known to a reading, and to a count.
  const double reading_w = way / all_s * rules.interval_s;
  const double ends = part.front().mean_variance + rules.step_w * rules.step_w + reading_w * reading_w;
  line.add(1.0, 0.0, from_w, ends);
  line.add(1.0, 1.0, from_w + way, ends);
  for (const Evidence& e : part) {
    const Basis b = basis(e, begin_s, all_s, 0.0);
    // A way strays most in its middle, ten times as far as at its ends, which are held.
    const double strays = share * way * std::clamp(2.0 * std::min(b.mean, 1.0 - b.mean), 0.1, 1.0);
    const double misfit = std::hypot(strays, instant_share * reading_w);
    rest += let_pass(e, misfit);
    line.add(1.0, b.mean, e.mean_w, e.mean_variance + misfit * misfit);
    line.add(0.0, b.lean, e.lean_w, e.lean_variance + misfit * misfit);
  }
  // What only its ends make a way is none.
  return line.b() / way < 0.5 ? infinity : rest + line.rest();
}

}  // namespace

Offers curve_offers(Evidences at, std::size_t i, const PieceRules& rules) {
  Offers offers;
  double held_s = 0.0, level_rest = 0.0, way = 0.0, last = at[i].mean_w;
  std::int64_t points = 0;
  WeightedMean level;
  for (std::size_t j = i; j < at.size(); ++j) {
    const Evidence& e = at[j];
    if (e.irregular) break;
    held_s += e.length_s;
    points += e.points;
    level.add(e.mean_w, e.mean_variance);
    level_rest += 0.5 * e.lean_w * e.lean_w / e.lean_variance;
    // A curve goes one way; what a level explains as well needs none.
    if (!e.brief) {
      const double step = e.mean_w - last;
      if (way == 0.0 && std::abs(step) > 3.0 * std::sqrt(e.mean_variance)) way = step;
      if (way * step < 0.0 && std::abs(step) > 4.0 * std::sqrt(e.mean_variance)) break;
      last = e.mean_w;
    }
    if (held_s < 3.0 * rules.shortest_s || points < 2 * least_points) continue;
    if (level_rest + level.rest() <= curve_cost - level_cost) continue;
    const Evidences part = at.subspan(i, j + 1 - i);
    const Curve c = best_curve(part, rules.step_w);
    if (c.cost == infinity) continue;
    offers.push_back({j + 1, falls_far(c, length_of(part)) ? Model::decay : Model::curve, curve_cost + c.cost, c});
    if (c.cost > hopeless(part.size())) break;
  }
  return offers;
}

std::vector<bool> curve_departures(Evidences at, std::size_t first, std::size_t last) {
  std::vector<bool> away;
  for (std::size_t k = first; k < last; ++k) away.push_back(blip(at.subspan(first, last - first), k - first));
  return away;
}

Offers ramp_offers(Evidences at, std::size_t i, const PieceRules& rules) {
  Offers offers;
  const double from_w = at[i - 1].tail_w;
  std::int64_t points = 0;
  for (std::size_t j = i; j + 1 < at.size(); ++j) {
    const Evidence& e = at[j];
    if (e.irregular) break;
    points += e.points;
    const double way = at[j + 1].head_w - from_w;
    if (points <= jump_points || std::abs(way) < 2.0 * rules.step_w) continue;
    if ((e.mean_w - from_w) * way < 0.0 && std::abs(e.mean_w - from_w) > 4.0 * std::sqrt(e.mean_variance)) break;
    for (const double share : shape_shares)
      offers.push_back({j + 1, Model::ramp, ramp_cost + straight(at.subspan(i, j + 1 - i), from_w, way, share, rules)});
  }
  return offers;
}

}  // namespace nightwatt
