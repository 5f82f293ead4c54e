#include "measure/segment/bend_fit.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

namespace nightwatt {

namespace {

constexpr std::size_t least_points = 6;
constexpr int refinements = 40;        // golden sections: 1e-8 of the interval
constexpr int looks_per_interval = 4;  // of the profile between two points
constexpr double golden = 0.6180339887498949;

struct At {
  double rest = 0.0;
  double level = 0.0, before = 0.0, after = 0.0;
};

/// Least squares for a bend at `t`: three unknowns at most, by Cramer's rule about the bend.
class Bends {
 public:
  Bends(std::span<const double> x, std::span<const double> y, BendShape shape) : x_(x), y_(y), shape_(shape) {
    double sum = 0.0;
    for (const double v : y) sum += v;
    mean_ = sum / static_cast<double>(y.size());
  }

  [[nodiscard]] At at(double t) const {
    double n = 0, u = 0, v = 0, uu = 0, vv = 0, p = 0, up = 0, vp = 0, pp = 0;
    for (std::size_t i = 0; i < x_.size(); ++i) {
      const double d = x_[i] - t;
      const double w = y_[i] - mean_;
      ++n, p += w, pp += w * w;
      if (d < 0.0)
        u += d, uu += d * d, up += d * w;
      else
        v += d, vv += d * d, vp += d * w;
    }
    // Lines that are flat or have no point drop out; u and v never meet in one point.
    const bool before = !shape_.flat_before && uu > 0.0;
    const bool after = !shape_.flat_after && vv > 0.0;
    At result;
    const double left = n - (before ? u * u / uu : 0.0) - (after ? v * v / vv : 0.0);
    const double right = p - (before ? u * up / uu : 0.0) - (after ? v * vp / vv : 0.0);
    if (!(left > 1e-9 * n)) {
      result.rest = pp;
      return result;
    }
    const double level = right / left;
    result.before = before ? (up - level * u) / uu : 0.0;
    result.after = after ? (vp - level * v) / vv : 0.0;
    result.rest = std::max(0.0, pp - level * p - result.before * up - result.after * vp);
    result.level = level + mean_;
    return result;
  }

  [[nodiscard]] double residual(std::size_t i, double t, const At& fit) const {
    const double d = x_[i] - t;
    return y_[i] - fit.level - (d < 0.0 ? fit.before : fit.after) * d;
  }

 private:
  std::span<const double> x_;
  std::span<const double> y_;
  BendShape shape_;
  double mean_ = 0.0;
};

}  // namespace

std::optional<BendFit> fit_bend(std::span<const double> x, std::span<const double> y, BendShape shape,
                                double least_variance) {
  const std::size_t size = std::min(x.size(), y.size());
  if (size < least_points) return std::nullopt;
  x = x.first(size);
  y = y.first(size);
  const Bends bends(x, y, shape);
  // The rest is smooth between points only: look everywhere, then refine beside the best.
  std::vector<double> looks;
  for (std::size_t i = 1; i + 2 < size; ++i)
    for (int k = 0; k < looks_per_interval; ++k)
      looks.push_back(x[i] + (x[i + 1] - x[i]) * static_cast<double>(k) / looks_per_interval);
  looks.push_back(x[size - 2]);
  std::vector<double> rests;
  std::size_t best = 0;
  for (const double t : looks) {
    rests.push_back(bends.at(t).rest);
    if (rests.back() < rests[best]) best = rests.size() - 1;
  }
  double low = looks[best > 0 ? best - 1 : 0];
  double high = looks[std::min(best + 1, looks.size() - 1)];
  for (int k = 0; k < refinements; ++k) {
    const double a = high - golden * (high - low);
    const double b = low + golden * (high - low);
    if (bends.at(a).rest <= bends.at(b).rest)
      high = b;
    else
      low = a;
  }
  BendFit fit;
  fit.at = (low + high) / 2.0;
  const At found = bends.at(fit.at);
  fit.level = found.level;
  fit.slope_before = found.before;
  fit.slope_after = found.after;
  fit.residual_squares = found.rest;
  const double degrees_of_freedom = static_cast<double>(size) - 4.0;
  const double variance = std::max(found.rest / std::max(1.0, degrees_of_freedom), least_variance);
  fit.inflation = inflation(size, 0, [&](std::size_t i) { return bends.residual(i, fit.at, found); });
  const double allowed = found.rest + 4.0 * variance * fit.inflation;
  fit.at_low = fit.at_high = fit.at;
  for (std::size_t i = 0; i < looks.size(); ++i) {
    if (rests[i] > allowed) continue;
    fit.at_low = std::min(fit.at_low, looks[i]);
    fit.at_high = std::max(fit.at_high, looks[i]);
  }
  return fit;
}

}  // namespace nightwatt
