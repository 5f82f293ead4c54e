#include "tests/bench/level_bounds.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>

#include "measure/uncertainty/distributions.hpp"

namespace nightwatt {

double rounded_bound(double level, double noise) {
  const auto cell = [&](double k, double m, double s) {
    return normal_cdf((k + 0.5 - m) / s) - normal_cdf((k - 0.5 - m) / s);
  };
  double mm = 0.0, ms = 0.0, ss = 0.0;
  const double h = 1e-5;
  for (double k = std::floor(level - 8.0 * noise - 1.0); k <= level + 8.0 * noise + 1.0; k += 1.0) {
    const double p = cell(k, level, noise);
    if (p < 1e-14) continue;
    const double dm = (cell(k, level + h, noise) - cell(k, level - h, noise)) / (2.0 * h);
    const double ds = (cell(k, level, noise + h) - cell(k, level, noise - h)) / (2.0 * h);
    mm += dm * dm / p;
    ms += dm * ds / p;
    ss += ds * ds / p;
  }
  return ss / (mm * ss - ms * ms);
}

namespace {

constexpr std::size_t reach = 5, states = 2 * reach + 1;
using Moves = std::array<std::array<double, states>, states>;
using Share = std::array<double, states>;

/// From count to count, behind a display that moves only when the power is past a count's edge.
Moves moves_of(double level, double noise, double past, double lowest) {
  Moves all{};
  const auto below = [&](double x) { return normal_cdf((x - level) / noise); };
  for (std::size_t i = 0; i < states; ++i) {
    double sum = 0.0;
    for (std::size_t j = 0; j < states; ++j) {
      const double y = lowest + static_cast<double>(i), k = lowest + static_cast<double>(j);
      const double from = j > i ? std::max(k - 0.5, y + 0.5 + past) : k - 0.5;
      const double to = j < i ? std::min(k + 0.5, y - 0.5 - past) : k + 0.5;
      if (j != i) all[i][j] = std::max(0.0, below(to) - below(from));
      if (j != i) sum += all[i][j];
    }
    all[i][i] = 1.0 - sum;
  }
  return all;
}

Share settled(const Moves& moves) {
  Share share{};
  share[reach] = 1.0;
  for (int round = 0; round < 3000; ++round) {
    Share next{};
    for (std::size_t i = 0; i < states; ++i)
      for (std::size_t j = 0; j < states; ++j) next[j] += share[i] * moves[i][j];
    share = next;
  }
  return share;
}

struct Seen {
  double mean = 0.0, variance = 0.0;
};

Seen seen(const Share& share, double lowest) {
  Seen all;
  for (std::size_t i = 0; i < states; ++i) all.mean += share[i] * (lowest + static_cast<double>(i));
  for (std::size_t i = 0; i < states; ++i)
    all.variance += share[i] * std::pow(lowest + static_cast<double>(i) - all.mean, 2);
  return all;
}

/// A display that only rounds and shows the same mean and variance: its level, by Newton's method.
double rounded_level(const Seen& wanted, double lowest) {
  const auto shown = [&](double level, double noise) {
    Share share{};
    for (std::size_t i = 0; i < states; ++i) {
      const double k = lowest + static_cast<double>(i);
      share[i] = normal_cdf((k + 0.5 - level) / noise) - normal_cdf((k - 0.5 - level) / noise);
    }
    return seen(share, lowest);
  };
  constexpr double d = 1e-5;
  double level = wanted.mean, noise = 0.35;
  for (int i = 0; i < 60; ++i) {
    const Seen at = shown(level, noise), by_level = shown(level + d, noise), by_noise = shown(level, noise + d);
    const double a = (by_level.mean - at.mean) / d, b = (by_noise.mean - at.mean) / d;
    const double c = (by_level.variance - at.variance) / d, e = (by_noise.variance - at.variance) / d;
    const double off = wanted.mean - at.mean, spread = wanted.variance - at.variance;
    const double determinant = a * e - b * c;
    if (std::abs(determinant) < 1e-12) break;
    level += std::clamp((off * e - spread * b) / determinant, -0.05, 0.05);
    noise = std::clamp(noise + std::clamp((spread * a - off * c) / determinant, -0.05, 0.05), 0.1, 3.0);
  }
  return level;
}

}  // namespace

double hysteresis_bound(double level, double noise, double past) {
  const double lowest = std::round(level) - static_cast<double>(reach);
  const Moves at = moves_of(level, noise, past, lowest);
  const Share share = settled(at);
  constexpr double d = 1e-5;
  const std::array<Moves, 3> up = {moves_of(level + d, noise, past, lowest), moves_of(level, noise + d, past, lowest),
                                   moves_of(level, noise, past + d, lowest)};
  std::array<std::array<double, 3>, 3> f{};
  for (std::size_t i = 0; i < states; ++i)
    for (std::size_t j = 0; j < states; ++j) {
      if (at[i][j] < 1e-14) continue;
      for (std::size_t a = 0; a < 3; ++a)
        for (std::size_t b = 0; b < 3; ++b)
          f[a][b] += share[i] * (up[a][i][j] - at[i][j]) * (up[b][i][j] - at[i][j]) / (d * d * at[i][j]);
    }
  const double rest = f[1][1] * f[2][2] - f[1][2] * f[2][1];
  const double determinant = f[0][0] * rest - f[0][1] * (f[1][0] * f[2][2] - f[1][2] * f[2][0]) +
                             f[0][2] * (f[1][0] * f[2][1] - f[1][1] * f[2][0]);
  return determinant > 1e-12 ? rest / determinant : 1e9;
}

double hysteresis_or_slow_bound(double level, double noise, double past, double n) {
  const double standard_deviation = std::sqrt(hysteresis_bound(level, noise, past) / n);
  const double lowest = std::round(level) - static_cast<double>(reach);
  const Seen shown = seen(settled(moves_of(level, noise, past, lowest)), lowest);
  const double apart = 0.5 * std::abs(level - rounded_level(shown, lowest));
  double low = apart, high = apart + 3.0 * standard_deviation;
  for (int i = 0; i < 60; ++i) {
    const double middle = 0.5 * (low + high);
    const double held =
        normal_cdf((middle - apart) / standard_deviation) - normal_cdf((-middle - apart) / standard_deviation);
    (held < 0.95 ? low : high) = middle;
  }
  return high;
}

double two_count_bound(double level, double noise, double n) {
  const double edge = std::round(level - 0.5) + 0.5;
  const double z = (level - edge) / noise;
  double low = noise, high = 3.0;
  for (int i = 0; i < 60; ++i) {
    const double s = 0.5 * (low + high);
    const double away = 1.0 - std::abs(z) * s;  // from the level to the further edge of the nearer count
    (n * normal_cdf(-away / s) < 0.5 * z95 * z95 ? low : high) = s;
  }
  return std::max(0.5 * std::abs(z) * low, 1e-3);
}

}  // namespace nightwatt
