#include "measure/level_parts.hpp"

#include <array>
#include <cmath>
#include <limits>

#include "measure/distributions.hpp"
#include "measure/level_budget.hpp"

namespace nightwatt {

double LevelParts::standard_w() const {
  return std::sqrt(chance_w * chance_w + shared_w * shared_w + accuracy_w * accuracy_w);
}

double LevelParts::expanded_w() const {
  constexpr double infinity = std::numeric_limits<double>::infinity();
  const std::array<UncertaintyPart, 3> all = {
      {{chance_w, chance_freedom}, {shared_w, infinity}, {accuracy_w, infinity}}};
  return k_for(effective_freedom(all)) * standard_w();
}

}  // namespace nightwatt
