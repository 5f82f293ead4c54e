#include "measure/uncertainty/pooled_level.hpp"

#include <limits>
#include <vector>

#include "measure/uncertainty/distributions.hpp"
#include "uncertainty/between_repeats.hpp"

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
    pooled.parts.systematic_w += share * one.parts.systematic_w;
    pooled.parts.accuracy_w += share * one.parts.accuracy_w;
    by_chance.push_back({share * one.parts.random_w, one.parts.random_degrees_of_freedom});
    repeats.push_back(
        {one.level_w, share, {one.parts.random_w, one.parts.random_degrees_of_freedom}, one.parts.systematic_w});
  }
  pooled.between_w = between_repeats(repeats, levels_differ);
  by_chance.push_back({pooled.between_w, std::numeric_limits<double>::infinity()});
  pooled.parts.random_w = combined_uncertainty(by_chance);
  pooled.parts.random_degrees_of_freedom = effective_degrees_of_freedom(by_chance);
  return pooled;
}

}  // namespace nightwatt
