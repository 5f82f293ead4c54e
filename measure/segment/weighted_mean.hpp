// A mean of values that are not equally sure, and how badly it explains them.
#pragma once

#include <algorithm>

namespace nightwatt {

struct WeightedMean {
  double w = 0.0, wx = 0.0, wxx = 0.0;
  void add(double x, double variance) { w += 1.0 / variance, wx += x / variance, wxx += x * x / variance; }
  [[nodiscard]] double mean() const { return wx / w; }
  /// Half the weighted squares that are left: nats.
  [[nodiscard]] double rest() const { return w > 0.0 ? 0.5 * std::max(0.0, wxx - wx * wx / w) : 0.0; }
};

}  // namespace nightwatt
