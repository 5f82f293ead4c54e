#include "measure/uncertainty/budget_part.hpp"

#include <cmath>
#include <limits>

namespace nightwatt {

namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();

BudgetPart part_of(PartKind kind, double uncertainty_w, double degrees_of_freedom) {
  BudgetPart part;
  part.kind = kind;
  part.uncertainty_w = uncertainty_w;
  part.degrees_of_freedom = degrees_of_freedom;
  return part;
}

}  // namespace

BudgetPart random_part(PartKind kind, double uncertainty_w, double degrees_of_freedom) {
  return part_of(kind, uncertainty_w, degrees_of_freedom);
}

BudgetPart systematic_part(PartKind kind, double uncertainty_w) {
  BudgetPart part = part_of(kind, uncertainty_w, infinity);
  part.shared = true;
  return part;
}

BudgetPart rectangular_part(PartKind kind, double half_width_w) {
  BudgetPart part = systematic_part(kind, half_width_w / std::sqrt(3.0));
  part.rectangular = true;
  return part;
}

}  // namespace nightwatt
