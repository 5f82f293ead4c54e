#include "segment/segment_ways.hpp"

#include <algorithm>
#include <cmath>

namespace nightwatt {

namespace {

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

}  // namespace

bool Ways::blip(std::size_t i, std::size_t j, std::size_t k) const {
  if (k == i || k == j || !at_[k].brief) return false;
  const double before = at_[k].mean_w - at_[k - 1].mean_w, after = at_[k].mean_w - at_[k + 1].mean_w;
  const double least = 3.0 * std::sqrt(at_[k].mean_variance);
  return before * after > 0.0 && std::min(std::abs(before), std::abs(after)) > least;
}

Curve Ways::fit(std::size_t i, std::size_t j, double tau_s) const {
  Curve best;
  for (const double share : shape_shares) {
    const Curve c = fit(i, j, tau_s, share, best.cost);
    if (c.cost < best.cost) best = c;
  }
  return best;
}

/// None where it would cost `too_much`.
Curve Ways::fit(std::size_t i, std::size_t j, double tau_s, double share, double too_much) const {
  const double begin_s = at_[i].begin_s, all_s = at_[j].begin_s + at_[j].length_s - begin_s;
  double rest = 0.0;
  TwoFit fit;
  for (std::size_t k = i; k <= j; ++k) {
    const Evidence& e = at_[k];
    if (blip(i, j, k)) {
      rest += excursion_cost;
      continue;
    }
    const Basis b = basis(e, begin_s, all_s, tau_s);
    // A curve is exponential to a share of what is still to go: near its limit it tells a step again.
    const double misfit = share * (at_[j].mean_w - at_[i].mean_w) * b.mean;
    rest += let_pass(e, misfit);
    if (rest >= too_much) return {};
    const double wander = e.brief ? 0.0 : (1.0 - e.step_before) * e.wander_variance;
    fit.add(1.0, b.mean, e.mean_w, e.mean_variance + wander + misfit * misfit);
    fit.add(0.0, b.lean, e.lean_w, e.lean_variance + misfit * misfit);
  }
  if (!fit.sound()) return {};
  return {rest + fit.rest(), fit.a(), fit.b(), tau_s};
}

bool Ways::falls_far(const Curve& c, double length_s) {
  const double way = c.amplitude_w * (1.0 - std::exp(-length_s / std::max(c.tau_s, 1.0)));
  return c.tau_s >= decay_s && way > decay_share * std::abs(c.limit_w);
}

/// What is still to go is no more than a level wanders, or than a display shows.
bool Ways::has_ended(const Curve& c, double length_s) const {
  return std::abs(c.at(length_s) - c.limit_w) < std::max({wander_share * c.limit_w, rules_.step_w / 2.0, tolerance_w});
}

Curve Ways::best_curve(std::size_t i, std::size_t j) const {
  const double all_s = at_[j].begin_s + at_[j].length_s - at_[i].begin_s;
  Curve best;
  const std::span<const Evidence> all = std::span(at_).subspan(i, j + 1 - i);
  // Two numbers through two or three means fit anything: a way that far has to be seen.
  const auto seen = [&](const Curve& c) {
    return std::abs(c.amplitude_w) <= decay_share * std::abs(c.limit_w) ||
           std::count_if(all.begin(), all.end(), [&](const Evidence& e) {
             return (e.points >= least_points || !e.brief) && !has_ended(c, e.begin_s - all[0].begin_s);
           }) >= curve_pieces;
  };
  for (double tau_s = 10.0; tau_s <= all_s; tau_s *= 1.25) {
    const Curve c = fit(i, j, tau_s);
    if (c.cost >= best.cost) continue;
    if (falls_far(c, all_s) && has_ended(c, all_s)) continue;
    if (seen(c)) best = c;
  }
  if (best.cost == infinity) return best;
  for (const double factor : {1.1, 1.05, 1.025})
    for (const double tau_s : {best.tau_s * factor, best.tau_s / factor})
      if (const Curve c = fit(i, j, tau_s); c.cost < best.cost && !(falls_far(c, all_s) && has_ended(c, all_s)))
        best = c;
  return best;
}

double Ways::straight(std::size_t i, std::size_t j, double from_w, double way, double share) const {
  const double begin_s = at_[i].begin_s, all_s = at_[j].begin_s + at_[j].length_s - begin_s;
  TwoFit line;
  double rest = 0.0;
  // Where it begins and ends is known to a reading, and to a count.
  const double reading_w = way / all_s * rules_.interval_s;
  const double ends = at_[i].mean_variance + rules_.step_w * rules_.step_w + reading_w * reading_w;
  line.add(1.0, 0.0, from_w, ends);
  line.add(1.0, 1.0, from_w + way, ends);
  for (std::size_t k = i; k <= j; ++k) {
    const Evidence& e = at_[k];
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

}  // namespace nightwatt
