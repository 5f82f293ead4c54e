#include "measure/uncertainty/level_parts.hpp"

#include <array>
#include <cmath>
#include <limits>

#include "measure/uncertainty/distributions.hpp"
#include "measure/uncertainty/level_budget.hpp"

namespace nightwatt {

double LevelParts::standard_w() const {
  return std::sqrt(random_w * random_w + systematic_w * systematic_w + accuracy_w * accuracy_w);
}

double LevelParts::expanded_w() const {
  constexpr double infinity = std::numeric_limits<double>::infinity();
  const std::array<UncertaintyPart, 3> all = {
      {{random_w, random_degrees_of_freedom}, {systematic_w, infinity}, {accuracy_w, infinity}}};
  return coverage_factor(effective_degrees_of_freedom(all)) * standard_w();
}

}  // namespace nightwatt
