#include "measure/uncertainty/comparison.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <vector>

#include "measure/uncertainty/distributions.hpp"
#include "measure/uncertainty/level_budget.hpp"
#include "measure/uncertainty/statistics.hpp"
#include "uncertainty/between_repeats.hpp"

namespace nightwatt {

namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();

Compared compared(double value, double by_chance, double degrees_of_freedom, double shared) {
  Compared result;
  result.value = value;
  result.degrees_of_freedom = degrees_of_freedom;
  result.standard = std::hypot(by_chance, shared);
  result.uncertainty = LevelParts{by_chance, degrees_of_freedom, shared, 0.0}.expanded_w();
  return result;
}

/// Degrees of freedom that make a standard uncertainty what it was expanded to.
double degrees_of_freedom_of(const Compared& one) {
  return one.standard > 0.0 ? degrees_of_freedom_for(one.uncertainty / one.standard) : infinity;
}

/// Of two figures, each times its sensitivity: Welch-Satterthwaite, with the degrees of freedom of the whole of each.
void join(Compared& result, const Compared& a, double of_a, const Compared& b, double of_b) {
  const std::array<UncertaintyPart, 2> parts = {
      {{of_a * a.standard, degrees_of_freedom_of(a)}, {of_b * b.standard, degrees_of_freedom_of(b)}}};
  result.standard = combined_uncertainty(parts);
  result.degrees_of_freedom = effective_degrees_of_freedom(parts);
  result.uncertainty = coverage_factor(result.degrees_of_freedom) * result.standard;
  result.repeats = std::min(a.repeats, b.repeats);
}

}  // namespace

Measured measured(double value, const LevelParts& parts) {
  return {value, parts.random_w, parts.random_degrees_of_freedom, std::hypot(parts.systematic_w, parts.accuracy_w),
          parts.systematic_w};
}

Measured measured(const LevelBudget& budget) {
  return measured(budget.level_w, level_parts(budget));
}

Measured measured_on_display(double value, double step) {
  return {value, 0.0, infinity, step / std::sqrt(12.0), step / std::sqrt(12.0)};
}

std::optional<Compared> pool(std::span<const Measured> repeats, Repeated what) {
  if (repeats.empty()) return std::nullopt;
  const auto n = static_cast<double>(repeats.size());
  Moments moments;
  std::vector<UncertaintyPart> by_chance;
  std::vector<Repeat> all;
  double shared = 0.0;
  for (const Measured& repeat : repeats) {
    moments.add(repeat.value);
    by_chance.push_back({repeat.standard / n, repeat.degrees_of_freedom});
    all.push_back({repeat.value, 1.0 / n, {repeat.standard, repeat.degrees_of_freedom}, repeat.display});
    shared += repeat.shared / n;
  }
  by_chance.push_back({between_repeats(all, what == Repeated::runs ? runs_differ : tasks_differ), infinity});
  const UncertaintyPart chance{combined_uncertainty(by_chance), std::max(1.0, effective_degrees_of_freedom(by_chance))};
  Compared result = compared(moments.mean(), chance.uncertainty, chance.degrees_of_freedom, shared);
  result.spread = moments.standard_deviation();
  result.repeats = static_cast<int>(repeats.size());
  return result;
}

Compared difference(const Compared& a, const Compared& b) {
  Compared result;
  result.value = a.value - b.value;
  join(result, a, 1.0, b, 1.0);
  return result;
}

std::optional<Compared> ratio(const Compared& a, const Compared& b) {
  if (std::abs(b.value) <= b.uncertainty || b.value == 0.0) return std::nullopt;
  Compared result;
  result.value = a.value / b.value;
  // First order (GUM 5.1.2); good while b's own relative uncertainty is small, which the test above and the
  // second-order term below see to.
  const double relative = b.uncertainty / std::abs(b.value);
  const double slope_a = 1.0 / std::abs(b.value);
  const double slope_b = std::abs(result.value) / std::abs(b.value);
  join(result, a, slope_a, b, slope_b);
  result.uncertainty *= 1.0 + relative * relative;
  return result;
}

bool tied(const Compared& a, const Compared& b) {
  return std::abs(a.value - b.value) <= a.uncertainty + b.uncertainty;
}

}  // namespace nightwatt
