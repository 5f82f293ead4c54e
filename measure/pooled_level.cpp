#include "measure/pooled_level.hpp"

#include <limits>
#include <vector>

#include "between_repeats.hpp"
#include "measure/distributions.hpp"

namespace nightwatt {

Pooled pool_levels(std::span<const PooledLevel> levels) {
  double weight = 0.0;
  for (const PooledLevel& one : levels) weight += one.weight;
  Pooled pooled;
  std::vector<Repeat> repeats;
  std::vector<UncertaintyPart> by_chance;
  for (const PooledLevel& one : levels) {
    const double share = one.weight / weight;
    pooled.level_w += share * one.level_w;
    pooled.parts.shared_w += share * one.parts.shared_w;
    pooled.parts.accuracy_w += share * one.parts.accuracy_w;
    by_chance.push_back({share * one.parts.chance_w, one.parts.chance_freedom});
    repeats.push_back({one.level_w, share, {one.parts.chance_w, one.parts.chance_freedom}, one.parts.shared_w});
  }
  pooled.between_w = between_repeats(repeats, levels_differ);
  by_chance.push_back({pooled.between_w, std::numeric_limits<double>::infinity()});
  pooled.parts.chance_w = combined_uncertainty(by_chance);
  pooled.parts.chance_freedom = effective_freedom(by_chance);
  return pooled;
}

}  // namespace nightwatt
