#include "segment/segment_evidence.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "measure/uncertainty/statistics.hpp"
#include "uncertainty/level.hpp"

namespace nightwatt {

namespace {

constexpr double quotable_share = 0.07;  // a level not known to this share is none: as wide as the contract takes idle
constexpr double quotable_floor_w = 0.05;  // near 0 W every share is small
constexpr double cycles_long_run = 1.2;    // cycles even out
constexpr double steps_long_run = 2.0;     // times the variance that independent readings' mean would have
// A level lies by chance on the edge between two counts of its display, the less likely the coarser that is.
constexpr double edge_share = 0.10;

/// Bias that a display may leave in the mean of what it shows, as a variance: a still one all of q^2 / 12, one that
/// shows two counts by turns ever less, until its scatter is that of an even toss (Widrow, Kollar, Liu 1996).
double display_variance(double variance, double step_w) {
  constexpr double dithered = 0.12;  // of q^2 / 12 stays: a tenth of a step, for noise that is not quite Gaussian
  if (!(step_w > 0.0)) return 0.0;
  const double square = step_w * step_w;
  return square / 12.0 * std::max(dithered, 1.0 - variance / (0.25 * square));
}

/// Way of the least-squares line through a piece's bins, from its begin to its end.
double lean_of(const Piece& p) {
  const LevelSketch& sketch = p.regime.sketch;
  LineSums sums;
  for (const SketchBin& b : sketch.bins())
    sums.add(to_seconds(sketch.bin_begin(b) - p.regime.begin).value, b.mean, static_cast<double>(b.n));
  return sums.slope() * length_s(p);
}

/// Times as much as independent readings would make them that the bins' means scatter.
double bins_long_run(std::span<const SketchBin> bins, double variance) {
  double n = 0.0, sum = 0.0, squares = 0.0;
  for (const SketchBin& b : bins) {
    const auto own = static_cast<double>(b.n);
    n += own, sum += own * b.mean, squares += own * b.mean * b.mean;
  }
  const double between = squares - sum * sum / n;
  return bins.size() < 8 || !(variance > 0.0) ? 1.0 : between / (static_cast<double>(bins.size()) - 1.0) / variance;
}

class Evidences {
 public:
  Evidences(std::span<const Piece> pieces, const PieceRules& rules) : rules_(rules), noise_share_(noise_share(pieces)) {
    for (const Piece& p : pieces) all_.push_back(evidence(p, pieces.front().regime.begin));
    for (std::size_t k = 1; k < pieces.size(); ++k) all_[k].step_before = step(pieces[k - 1], pieces[k]);
  }
  std::vector<Evidence> take() { return std::move(all_); }

 private:
  /// Variance of the readings of lasting pieces over 10 W^2 + P^2, the median: what a piece of few readings is taken
  /// to have.
  [[nodiscard]] double noise_share(std::span<const Piece> pieces) const {
    std::vector<double> shares;
    for (const Piece& p : pieces)
      if (p.points >= 12 && !scatters(p, variance(p))) shares.push_back(variance(p) / scale(p.regime.sketch.mean()));
    return shares.empty() ? 0.0 : median_of(std::move(shares));
  }
  /// More than a level does, unless it is a display that toggles.
  [[nodiscard]] bool scatters(const Piece& p, double variance) const {
    return std::sqrt(variance) > std::max(steps_share * std::abs(p.regime.sketch.mean()), rules_.step_w);
  }
  static double scale(double mean_w) { return linear_below_w * linear_below_w + mean_w * mean_w; }

  /// How surely the power steps between two pieces, by the readings just before and after: a slow way is no step.
  [[nodiscard]] double step(const Piece& a, const Piece& b) const {
    const double w = b.head.mean - a.tail.mean;
    const double tolerance = std::hypot(tolerance_share * b.head.mean, tolerance_w);
    const double scatter =
        std::min(variance(a), variance(b)) * (1.0 / static_cast<double>(std::max<std::int64_t>(a.tail.n, 1)) +
                                              1.0 / static_cast<double>(std::max<std::int64_t>(b.head.n, 1)));
    const double display = display_variance(variance(b), rules_.step_w);
    return 1.0 - std::exp(-0.25 * w * w / (tolerance * tolerance + scatter + display));
  }

  [[nodiscard]] Evidence evidence(const Piece& p, UtcTime origin) const {
    constexpr double prior_readings = 3.0;  // that the usual noise counts for beside the piece's own
    const LevelSketch& sketch = p.regime.sketch;
    Evidence e;
    e.begin_s = to_seconds(p.regime.begin - origin).value;
    e.length_s = nightwatt::length_s(p);
    const bool lined = p.line.n > 0.0 && p.points <= line_point_limit;
    e.middle_s = lined ? p.line.x - seconds_of(origin) : e.begin_s + e.length_s / 2.0;
    e.mean_w = sketch.mean();
    e.head_w = p.head.mean;
    e.tail_w = p.tail.mean;
    e.points = p.points;
    e.readings = p.regime.samples;
    e.brief = e.length_s < rules_.shortest_s;
    e.lean_w = p.points > least_points ? lean_of(p) : 0.0;
    const auto n = static_cast<double>(std::max<std::int64_t>(sketch.n(), 1));
    const double usual = std::max(noise_share_ * scale(e.mean_w), rules_.step_w * rules_.step_w / 12.0);
    const double own = std::max(0.0, variance(p) - e.lean_w * e.lean_w / 12.0);
    e.own_variance = own;
    const double readings = (own * (n - 1.0) + usual * prior_readings) / (n - 1.0 + prior_readings);
    double of_mean = readings / n, long_run = 1.0;
    if (sketch.bins().size() >= 8) {
      const double batches = statistical_uncertainty(sketch.bins());
      const double without_lean = variance(p) > 0.0 ? own / variance(p) : 1.0;
      long_run = own > 0.0 ? n * batches * batches * without_lean / own : 1.0;
      of_mean = std::max(of_mean, batches * batches * without_lean);
    }
    e.wander_variance = wander_share * e.mean_w * wander_share * e.mean_w;
    const double tolerance = std::hypot(tolerance_share * e.mean_w, tolerance_w);
    // Power does not go below 0: a display that shows nothing leaves little open.
    const bool nothing = std::abs(e.mean_w) < rules_.step_w / 4.0;
    const double shown = display_variance(nothing ? rules_.step_w * rules_.step_w : own, rules_.step_w);
    const double display = std::min(shown, edge_share * e.mean_w * edge_share * e.mean_w);
    // What is shorter than any level scatters as levels wander: fans and background work come and go within seconds.
    e.mean_variance = tolerance * tolerance + display + of_mean + (e.brief ? e.wander_variance : 0.0);
    e.far_variance = tolerance * tolerance + display + of_mean + e.wander_variance;
    e.lean_variance = 4.0 * tolerance * tolerance + 2.0 * display + 12.0 * of_mean +
                      (p.points > least_points ? 0.0 : e.mean_w * e.mean_w);
    const double expanded = 2.0 * std::sqrt(of_mean);
    // Wide scatter in which neighbours follow each other: steps of some seconds, and no cycle that evens them out.
    const bool steps =
        scatters(p, own) && (long_run > steps_long_run ||
                             (long_run > cycles_long_run && bins_long_run(sketch.bins(), own) > steps_long_run));
    e.irregular = p.regime.shape == RegimeShape::unsteady;
    e.restless =
        e.irregular || (!e.brief && steps) ||
        (!e.brief && expanded > std::max({rules_.step_w / 2.0, quotable_floor_w, quotable_share * std::abs(e.mean_w)}));
    return e;
  }

  const PieceRules& rules_;
  double noise_share_;
  std::vector<Evidence> all_;
};

}  // namespace

std::vector<Evidence> evidence_of(std::span<const Piece> pieces, const PieceRules& rules) {
  return Evidences(pieces, rules).take();
}

}  // namespace nightwatt
