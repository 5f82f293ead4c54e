#include "measure/pooled_level.hpp"

#include <cmath>
#include <vector>

#include "measure/distributions.hpp"

namespace nightwatt {

Pooled pool_levels(std::span<const PooledLevel> levels) {
  double weight = 0.0;
  for (const PooledLevel& one : levels) weight += one.weight;
  Pooled pooled;
  std::vector<UncertaintyPart> by_chance;
  double squares = 0.0;
  for (const PooledLevel& one : levels) {
    const double share = one.weight / weight;
    pooled.level_w += share * one.level_w;
    pooled.parts.shared_w += share * one.parts.shared_w;
    pooled.parts.accuracy_w += share * one.parts.accuracy_w;
    by_chance.push_back({share * one.parts.chance_w, one.parts.chance_freedom});
    squares += share * share;  // 1/n for n equal weights
  }
  const double within = combined_uncertainty(by_chance);
  if (levels.size() > 1 && squares < 1.0 - 1e-9) {
    double spread = 0.0;
    for (const PooledLevel& one : levels)
      spread += one.weight / weight * (one.level_w - pooled.level_w) * (one.level_w - pooled.level_w);
    const double between = spread / (1.0 - squares) * squares;
    if (between > within * within) {
      pooled.between_w = std::sqrt(between - within * within);
      pooled.between_freedom = static_cast<double>(levels.size()) - 1.0;
      by_chance.push_back({pooled.between_w, pooled.between_freedom});
    }
  }
  pooled.parts.chance_w = combined_uncertainty(by_chance);
  pooled.parts.chance_freedom = effective_freedom(by_chance);
  return pooled;
}

}  // namespace nightwatt
