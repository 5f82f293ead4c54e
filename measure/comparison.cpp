#include "measure/comparison.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <vector>

#include "measure/distributions.hpp"
#include "measure/level_budget.hpp"
#include "measure/statistics.hpp"

namespace nightwatt {

namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();

/// Few repeats agree by chance though the runs differ: the spread of two that differ by three of their own
/// uncertainties lies within these one time in four. So it counts from this share of their own variance on, by what it
/// is above: half of repeats that do not differ have less, or hardly more. Found by simulation over runs that differ by
/// 0 to 30 of their own uncertainties: two hold the truth 90 to 98 times in 100, three and more 93 to 98; with less,
/// two runs that do not differ would have a wide interval more often than not.
double agreeing_share(std::size_t repeats) {
  return repeats == 2 ? 0.55 : repeats == 3 ? 0.64 : 0.8;
}

Compared compared(double value, double by_chance, double freedom, double shared) {
  Compared result;
  result.value = value;
  result.freedom = freedom;
  result.standard = std::hypot(by_chance, shared);
  result.uncertainty = LevelParts{by_chance, freedom, shared, 0.0}.expanded_w();
  return result;
}

/// Degrees of freedom that make a standard uncertainty what it was expanded to.
double freedom_of(const Compared& one) {
  return one.standard > 0.0 ? freedom_for(one.uncertainty / one.standard) : infinity;
}

/// Of two figures, each times its sensitivity: Welch-Satterthwaite, with the degrees of freedom of the whole of each.
void join(Compared& result, const Compared& a, double of_a, const Compared& b, double of_b) {
  const std::array<UncertaintyPart, 2> parts = {
      {{of_a * a.standard, freedom_of(a)}, {of_b * b.standard, freedom_of(b)}}};
  result.standard = combined_uncertainty(parts);
  result.freedom = effective_freedom(parts);
  result.uncertainty = k_for(result.freedom) * result.standard;
  result.repeats = std::min(a.repeats, b.repeats);
}

}  // namespace

Measured measured(double value, const LevelParts& parts) {
  return {value, parts.chance_w, parts.chance_freedom, std::hypot(parts.shared_w, parts.accuracy_w)};
}

Measured measured(const LevelBudget& budget) {
  return measured(budget.level_w, level_parts(budget));
}

Measured measured_on_display(double value, double step) {
  return {value, 0.0, infinity, step / std::sqrt(12.0)};
}

std::optional<Compared> pool(std::span<const Measured> repeats) {
  if (repeats.empty()) return std::nullopt;
  const auto n = static_cast<double>(repeats.size());
  Moments moments;
  std::vector<UncertaintyPart> within;
  double shared = 0.0;
  for (const Measured& repeat : repeats) {
    moments.add(repeat.value);
    within.push_back({repeat.standard / n, repeat.freedom});
    shared += repeat.shared / n;
  }
  UncertaintyPart chance{combined_uncertainty(within), std::max(1.0, effective_freedom(within))};
  const double usual = agreeing_share(repeats.size()) * chance.uncertainty * chance.uncertainty;
  const double between_variance = moments.variance() / n;
  if (repeats.size() > 1 && between_variance > usual) {
    const double beyond = std::sqrt(between_variance - usual);
    const double expanded = std::hypot(k_for(chance.freedom) * chance.uncertainty, k_for(n - 1.0) * beyond);
    chance.uncertainty = std::hypot(chance.uncertainty, beyond);
    chance.freedom = freedom_for(expanded / chance.uncertainty);
  }
  Compared result = compared(moments.mean(), chance.uncertainty, chance.freedom, shared);
  result.spread = moments.deviation();
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
