#include "tests/bench/level_bounds.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>

#include "measure/distributions.hpp"

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

double sticking_bound(double level, double noise, double past) {
  constexpr std::size_t reach = 5, states = 2 * reach + 1;
  using Moves = std::array<std::array<double, states>, states>;
  const double lowest = std::round(level) - static_cast<double>(reach);
  const auto moves = [&](double m, double s, double h) {
    Moves all{};
    const auto below = [&](double x) { return normal_cdf((x - m) / s); };
    for (std::size_t i = 0; i < states; ++i) {
      double sum = 0.0;
      for (std::size_t j = 0; j < states; ++j) {
        const double y = lowest + static_cast<double>(i), k = lowest + static_cast<double>(j);
        const double from = j > i ? std::max(k - 0.5, y + 0.5 + h) : k - 0.5;
        const double to = j < i ? std::min(k + 0.5, y - 0.5 - h) : k + 0.5;
        if (j != i) all[i][j] = std::max(0.0, below(to) - below(from));
        if (j != i) sum += all[i][j];
      }
      all[i][i] = 1.0 - sum;
    }
    return all;
  };
  const Moves at = moves(level, noise, past);
  std::array<double, states> share{};
  share[reach] = 1.0;
  for (int round = 0; round < 3000; ++round) {
    std::array<double, states> next{};
    for (std::size_t i = 0; i < states; ++i)
      for (std::size_t j = 0; j < states; ++j) next[j] += share[i] * at[i][j];
    share = next;
  }
  constexpr double d = 1e-5;
  const std::array<Moves, 3> up = {moves(level + d, noise, past), moves(level, noise + d, past),
                                   moves(level, noise, past + d)};
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
