// A straight line by least squares from running sums: for readings that are not kept.
#pragma once

#include <cmath>

namespace nightwatt {

/// Sums about the means (Welford), so that times since 1970 lose nothing; two of them join without loss.
struct LineSums {
  double n = 0.0;
  double x = 0.0;  ///< mean
  double y = 0.0;
  double xx = 0.0;  ///< sum of (x - mean)^2
  double xy = 0.0;

  /// `weight` readings at `at` whose mean is `value`; negative takes them out again.
  void add(double at, double value, double weight = 1.0) { add(LineSums{weight, at, value, 0.0, 0.0}); }
  void add(const LineSums& o) {
    const double sum = n + o.n;
    if (!(sum > 0.0)) {
      *this = {};
      return;
    }
    const double dx = o.x - x, dy = o.y - y;
    const double share = o.n / sum;
    xx += o.xx + dx * dx * n * share;
    xy += o.xy + dx * dy * n * share;
    x += dx * share;
    y += dy * share;
    n = sum;
  }
  /// 0 where all readings are of one instant.
  [[nodiscard]] double slope() const { return xx > 0.0 ? xy / xx : 0.0; }
  [[nodiscard]] double at(double where) const { return y + slope() * (where - x); }
};

}  // namespace nightwatt
