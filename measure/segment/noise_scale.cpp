#include "segment/noise_scale.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "measure/segment/change_points.hpp"
#include "measure/uncertainty/statistics.hpp"

namespace nightwatt {

namespace {

constexpr double highest_phi = 0.96;     // of the long-run variance: beyond, a trend is not told from noise at all
constexpr std::size_t prune_limit = 40;  // fits of more changes are taken as they are: pruning costs their square

struct ArFit {
  double phi = 0.0;
  double innovation_variance = 0.0;
  std::int64_t pairs = 0;
};

/// Residuals about the segments' means as AR(1), the lag pair taken across changes too, not across cuts.
ArFit fit_ar1(std::span<const double> y, std::span<const std::int64_t> changes, std::span<const std::int64_t> cuts,
              double variance_floor) {
  std::vector<double> r(y.begin(), y.end());
  for (std::size_t k = 0; k <= changes.size(); ++k) {
    const std::size_t a = k == 0 ? 0 : static_cast<std::size_t>(changes[k - 1]);
    const std::size_t b = k == changes.size() ? y.size() : static_cast<std::size_t>(changes[k]);
    double sum = 0.0;
    for (std::size_t i = a; i < b; ++i) sum += y[i] - y[a];
    const double mean = y[a] + sum / static_cast<double>(b - a);
    for (std::size_t i = a; i < b; ++i) r[i] -= mean;
  }
  double s00 = 0.0, s01 = 0.0, s11 = 0.0;
  std::size_t next_cut = 0;
  ArFit fit;
  for (std::size_t i = 1; i < r.size(); ++i) {
    while (next_cut < cuts.size() && static_cast<std::size_t>(cuts[next_cut]) < i) ++next_cut;
    if (next_cut < cuts.size() && static_cast<std::size_t>(cuts[next_cut]) == i) continue;
    s00 += r[i - 1] * r[i - 1];
    s01 += r[i - 1] * r[i];
    s11 += r[i] * r[i];
    ++fit.pairs;
  }
  if (fit.pairs == 0) return fit;
  fit.phi = s00 > 0.0 ? std::clamp(s01 / s00, 0.0, 1.0) : 0.0;
  const double rest = s11 - 2.0 * fit.phi * s01 + fit.phi * fit.phi * s00;
  fit.innovation_variance = std::max(rest / static_cast<double>(fit.pairs), variance_floor);
  return fit;
}

std::vector<std::int64_t> partition(std::span<const double> y, std::span<const std::int64_t> cuts, double penalty) {
  OptimalPartition engine(static_cast<std::int64_t>(y.size()) + 1, 0);
  std::size_t next_cut = 0;
  std::vector<std::int64_t> changes;
  const auto collect = [&] {
    const std::vector<std::int64_t> more = engine.take_final();
    changes.insert(changes.end(), more.begin(), more.end());
  };
  for (std::size_t i = 0; i < y.size(); ++i) {
    if (next_cut < cuts.size() && static_cast<std::size_t>(cuts[next_cut]) == i) {
      engine.finish();
      collect();
      changes.push_back(static_cast<std::int64_t>(i));
      ++next_cut;
    }
    engine.push(y[i], penalty);
  }
  engine.finish();
  collect();
  return changes;
}

struct Candidate {
  ArFit ar;
  double score = 0.0;
};

Candidate candidate(std::span<const double> y, std::span<const std::int64_t> changes,
                    std::span<const std::int64_t> cuts, double floor) {
  Candidate c;
  c.ar = fit_ar1(y, changes, cuts, floor);
  if (c.ar.pairs > 0)
    c.score = static_cast<double>(c.ar.pairs) * std::log(c.ar.innovation_variance) +
              3.0 * std::log(static_cast<double>(y.size())) * static_cast<double>(changes.size() - cuts.size());
  return c;
}

/// The other extreme: a random walk whose largest steps are jumps.
Candidate walk(std::span<const double> y, std::span<const std::int64_t> cuts, double floor) {
  std::vector<double> squares;
  std::size_t next_cut = 0;
  for (std::size_t i = 1; i < y.size(); ++i) {
    while (next_cut < cuts.size() && static_cast<std::size_t>(cuts[next_cut]) < i) ++next_cut;
    if (next_cut < cuts.size() && static_cast<std::size_t>(cuts[next_cut]) == i) continue;
    squares.push_back((y[i] - y[i - 1]) * (y[i] - y[i - 1]));
  }
  std::sort(squares.begin(), squares.end());
  double sum = 0.0;
  for (const double s : squares) sum += s;
  const auto pairs = static_cast<double>(squares.size());
  Candidate best;
  for (std::size_t jumps = 0; jumps < squares.size() / 4 + 1 && jumps < squares.size(); ++jumps) {
    if (jumps > 0) sum -= squares[squares.size() - jumps];
    Candidate c;
    c.ar = {1.0, std::max(sum / pairs, floor), static_cast<std::int64_t>(squares.size())};
    c.score = pairs * std::log(c.ar.innovation_variance) +
              3.0 * std::log(static_cast<double>(y.size())) * static_cast<double>(jumps);
    if (jumps == 0 || c.score < best.score) best = c;
  }
  return best;
}

/// Leaves out, one by one, the changes that AR(1) noise explains better: steps of a trend, not a drop in it.
Candidate prune(std::span<const double> y, std::vector<std::int64_t> changes, std::span<const std::int64_t> cuts,
                double floor) {
  Candidate best = candidate(y, changes, cuts, floor);
  if (changes.size() > prune_limit) return best;
  for (;;) {
    std::size_t least = changes.size();
    for (std::size_t i = 0; i < changes.size(); ++i) {
      if (std::find(cuts.begin(), cuts.end(), changes[i]) != cuts.end()) continue;
      std::vector<std::int64_t> fewer = changes;
      fewer.erase(fewer.begin() + static_cast<std::ptrdiff_t>(i));
      const Candidate c = candidate(y, fewer, cuts, floor);
      if (c.score >= best.score) continue;
      best = c;
      least = i;
    }
    if (least == changes.size()) return best;
    changes.erase(changes.begin() + static_cast<std::ptrdiff_t>(least));
  }
}

}  // namespace

NoiseScale learn_noise(std::span<const double> y, std::span<const std::int64_t> cuts, double step) {
  NoiseScale best;
  if (y.size() < 3) return best;
  std::vector<double> differences;
  double least_difference = 0.0;
  for (std::size_t i = 1; i < y.size(); ++i) {
    const double d = std::abs(y[i] - y[i - 1]);
    differences.push_back(d);
    if (d > 0.0 && (least_difference == 0.0 || d < least_difference)) least_difference = d;
  }
  if (!(step > 0.0)) step = least_difference;
  const auto n = static_cast<double>(y.size());
  double sum = 0.0, squares = 0.0;
  for (const double x : y) sum += x - y[0];
  for (const double x : y) squares += (x - y[0] - sum / n) * (x - y[0] - sum / n);
  const double whole_variance = squares / n;
  if (!(whole_variance > 0.0)) return best;
  const double mad = 1.4826 * median_of(std::move(differences)) / std::sqrt(2.0);
  const double floor = std::max(step * step / 12.0, whole_variance * 1e-12);
  double variance = std::max(mad * mad, floor);
  double best_score = 0.0;
  bool first = true;
  const Candidate wandering = walk(y, cuts, floor);
  const auto take = [&](const Candidate& fit) {
    if (fit.ar.pairs == 0 || (!first && fit.score >= best_score)) return;
    first = false;
    best_score = fit.score;
    best.phi = std::min(fit.ar.phi, highest_phi);
    best.sigma_lr = std::sqrt(fit.ar.innovation_variance) / (1.0 - best.phi);
  };
  take(wandering);
  // From the noise of neighbours to the scatter of the whole: each rung four times the last.
  for (int rung = 0; rung < 40; ++rung, variance *= 4.0) {
    const double penalty = 3.0 * variance * std::log(n);
    const std::vector<std::int64_t> changes = partition(y, cuts, penalty);
    take(prune(y, changes, cuts, floor));
    if (changes.size() == cuts.size()) break;
  }
  return best;
}

namespace {

double allan_noise(std::span<const double> y, std::span<const std::size_t> widths) {
  static constexpr double upper_quartile = 1.1503;  // of |x| for a standard normal x
  double most = 0.0;
  std::vector<double> differences;
  for (const std::size_t width : widths) {
    differences.clear();
    double before = 0.0;
    for (std::size_t k = 0; (k + 1) * width <= y.size(); ++k) {
      double sum = 0.0;
      for (std::size_t i = k * width; i < (k + 1) * width; ++i) sum += y[i];
      const double mean = sum / static_cast<double>(width);
      if (k > 0) differences.push_back(std::abs(mean - before));
      before = mean;
    }
    if (differences.size() < 4) break;
    const auto at = differences.begin() + static_cast<std::ptrdiff_t>(differences.size() * 3 / 4);
    std::nth_element(differences.begin(), at, differences.end());
    const double allan = *at / upper_quartile / std::sqrt(2.0);
    most = std::max(most, allan * std::sqrt(static_cast<double>(width)));
  }
  return most;
}

}  // namespace

double follow_noise(std::span<const double> y) {
  static constexpr std::array<std::size_t, 3> widths = {1, 4, 16};
  return allan_noise(y, widths);
}

double toggling_noise_square(std::span<const double> y, std::size_t widest) {
  double most = 0.0;
  for (const std::size_t width : {std::size_t{1}, widest}) {
    double squares = 0.0, before = 0.0;
    std::size_t means = 0;
    for (; (means + 1) * width <= y.size(); ++means) {
      double sum = 0.0;
      for (std::size_t i = means * width; i < (means + 1) * width; ++i) sum += y[i];
      const double mean = sum / static_cast<double>(width);
      if (means > 0) squares += (mean - before) * (mean - before);
      before = mean;
    }
    if (means > 3) most = std::max(most, squares * static_cast<double>(width) / (2.0 * static_cast<double>(means - 1)));
  }
  return most;
}

double local_noise(std::span<const double> y, std::size_t widest) {
  const std::array<std::size_t, 2> widths = {1, widest};
  return allan_noise(y, std::span(widths).first(widest > 1 ? 2 : 1));
}

}  // namespace nightwatt
