#include "settling.hpp"

#include <algorithm>
#include <cmath>

namespace nightwatt {

namespace {

constexpr double least_length_s = 60.0;  // shorter stretches have no room for a curve and its limit
constexpr std::size_t least_bins = 12;
constexpr double close_share = 0.01;  // of the limit: this near counts as settled

struct Fit {
  double limit = 0.0, amplitude = 0.0, rest = 0.0, tau = 0.0;
};

double bin_middle_s(const Stretch& s, const SketchBin& b) {
  return to_seconds(s.sketch.bin_begin(b) - s.begin).value + s.sketch.width_s() / 2.0;
}

/// Least squares of limit and amplitude for one tau.
Fit fit_tau(const Stretch& s, double tau) {
  double w = 0.0, e1 = 0.0, e2 = 0.0, p1 = 0.0, pe = 0.0;
  for (const SketchBin& b : s.sketch.bins()) {
    const auto n = static_cast<double>(b.n);
    const double e = std::exp(-bin_middle_s(s, b) / tau);
    w += n, e1 += n * e, e2 += n * e * e, p1 += n * b.mean, pe += n * e * b.mean;
  }
  Fit f;
  f.tau = tau;
  const double det = w * e2 - e1 * e1;
  if (!(det > 1e-12 * w * e2)) return f;
  f.amplitude = (w * pe - e1 * p1) / det;
  f.limit = (p1 - f.amplitude * e1) / w;
  for (const SketchBin& b : s.sketch.bins()) {
    const double d = b.mean - f.limit - f.amplitude * std::exp(-bin_middle_s(s, b) / tau);
    f.rest += static_cast<double>(b.n) * d * d;
  }
  return f;
}

}  // namespace

std::optional<Settling> settling_of(const Stretch& s, double step_w) {
  const std::vector<SketchBin>& bins = s.sketch.bins();
  const double length_s = to_seconds(s.end - s.begin).value;
  if (length_s < least_length_s || bins.size() < least_bins) return std::nullopt;
  const double mean = s.sketch.mean();
  double constant = 0.0;
  for (const SketchBin& b : bins) constant += static_cast<double>(b.n) * (b.mean - mean) * (b.mean - mean);
  Fit best;
  best.rest = constant;
  // tau from one bin to twice the stretch: beyond, a curve is a straight line and its limit a guess.
  for (double tau = s.sketch.width_s(); tau <= 2.0 * length_s; tau *= 1.15) {
    const Fit f = fit_tau(s, tau);
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
