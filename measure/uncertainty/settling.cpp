#include "uncertainty/settling.hpp"

#include <algorithm>
#include <cmath>

namespace nightwatt {

namespace {

constexpr double least_length_s = 60.0;  // shorter stretches have no room for a curve and its limit
constexpr std::size_t least_bins = 12;
constexpr double close_share = 0.01;  // of the limit: this near counts as settled

// A fitted curve spans at most this many times what the bins' means span: with tau up to twice the stretch, e^(-t/tau)
// falls from 1 to 0.61 over it, so the amplitude at t = 0 is at most 2.5 times the fall that is seen; the rest is room
// for noise.
constexpr double amplitude_to_span = 4.0;

struct Fit {
  double limit = 0.0, amplitude = 0.0, rest = 0.0, tau = 0.0;
};

/// Means of the bins about their common mean, and what does not depend on tau.
struct Centred {
  const std::vector<SketchBin>& bins;
  double first_s = 0.0;  // from the stretch's begin to the middle of its first bin
  double width_s = 0.0;
  double mean = 0.0;
  double n = 0.0;
  double squares = 0.0;
  double span = 0.0;
};

Centred centred(const Regime& s) {
  const std::vector<SketchBin>& bins = s.sketch.bins();
  Centred c{bins};
  c.width_s = s.sketch.width_s();
  c.first_s = to_seconds(s.sketch.bin_begin(bins.front()) - s.begin).value + c.width_s / 2.0;
  c.mean = s.sketch.mean();
  double low = bins.front().mean;
  double high = low;
  for (const SketchBin& b : bins) {
    const auto n = static_cast<double>(b.n);
    const double d = b.mean - c.mean;
    c.n += n, c.squares += n * d * d;
    low = std::min(low, b.mean), high = std::max(high, b.mean);
  }
  c.span = high - low;
  return c;
}

/// Least squares of limit and amplitude for one tau. The bins lie on a grid, so the exponential is a geometric series.
Fit fit_tau(const Centred& c, double tau) {
  const double ratio = std::exp(-c.width_s / tau);
  double e = std::exp(-c.first_s / tau);
  std::int64_t key = c.bins.front().key;
  double e1 = 0.0, e2 = 0.0, p1 = 0.0, pe = 0.0;
  for (const SketchBin& b : c.bins) {
    if (b.key == key + 1)
      e *= ratio;
    else if (b.key != key)
      e *= std::exp(-c.width_s * static_cast<double>(b.key - key) / tau);
    key = b.key;
    const auto n = static_cast<double>(b.n);
    const double p = b.mean - c.mean;
    e1 += n * e, e2 += n * e * e, p1 += n * p, pe += n * e * p;
  }
  Fit f;
  f.tau = tau;
  const double det = c.n * e2 - e1 * e1;
  if (!(det > 1e-12 * c.n * e2)) return f;
  f.amplitude = (c.n * pe - e1 * p1) / det;
  const double limit = (p1 - f.amplitude * e1) / c.n;
  f.limit = c.mean + limit;
  // The normal equations give the rest without a second pass; about the mean nothing large cancels.
  f.rest = std::max(0.0, c.squares - f.amplitude * pe - limit * p1);
  return f;
}

}  // namespace

std::optional<Settling> settling_of(const Regime& s, double step_w) {
  const std::vector<SketchBin>& bins = s.sketch.bins();
  const double length_s = to_seconds(s.end - s.begin).value;
  if (length_s < least_length_s || bins.size() < least_bins) return std::nullopt;
  const Centred c = centred(s);
  if (amplitude_to_span * c.span <= 2.0 * step_w) return std::nullopt;  // nothing a display could show settling
  const double constant = c.squares;
  Fit best;
  best.rest = constant;
  // tau from one bin to twice the stretch: beyond, a curve is a straight line and its limit a guess.
  for (double tau = c.width_s; tau <= 2.0 * length_s; tau *= 1.15) {
    const Fit f = fit_tau(c, tau);
    if (f.amplitude != 0.0 && f.rest < best.rest) best = f;
  }
  // Two more parameters must earn ln(n) each (BIC), the bins taken as the independent readings they nearly are.
  const auto n = static_cast<double>(bins.size());
  const double floor = n * 1e-18 + constant * 1e-12;
  if (best.amplitude == 0.0 || n * std::log((constant + floor) / (best.rest + floor)) < 2.0 * std::log(n) + 6.0)
    return std::nullopt;
  const double close = std::max(close_share * std::abs(best.limit), 2.0 * step_w);
  if (std::abs(best.amplitude) <= close) return std::nullopt;  // within the tolerance from the first reading on
  Settling settling;
  settling.limit_w = best.limit;
  settling.tau_s = best.tau;
  settling.time_s = best.tau * std::log(std::abs(best.amplitude) / close);
  settling.ended = settling.time_s <= length_s && best.tau <= length_s / 2.0;
  return settling;
}

}  // namespace nightwatt
