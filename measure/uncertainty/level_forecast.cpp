#include "measure/uncertainty/level_forecast.hpp"

#include <algorithm>
#include <cmath>
#include <utility>
#include <vector>

namespace nightwatt {
namespace {

constexpr double longest_factor = 1e6;  // a level held for ten seconds would have to be held for four months
constexpr int halvings = 14;            // of the factor's logarithm: to a tenth of a percent
constexpr std::int64_t fewest_readings = 3;

/// What more readings make smaller; the rest is the same however long it lasts.
bool is_random(const BudgetPart& part) {
  return part.kind == PartKind::statistics || part.kind == PartKind::energy_counter;
}

double expanded(std::vector<BudgetPart> parts) {
  LevelBudget budget;
  budget.parts = std::move(parts);
  complete(budget);
  return budget.uncertainty_w;
}

/// The parts after `factor` times the time; without end where it is infinite.
double uncertainty_after(const LevelBudget& budget, double factor) {
  std::vector<BudgetPart> parts = budget.parts;
  for (BudgetPart& part : parts) {
    if (!is_random(part)) continue;
    part.uncertainty_w /= std::sqrt(factor);
    part.degrees_of_freedom *= factor;
  }
  return expanded(std::move(parts));
}

/// The parts that are too much each by itself; else all that stay.
std::vector<PartKind> limits_of(const LevelBudget& budget, double wanted_w) {
  std::vector<PartKind> alone, all;
  for (const BudgetPart& part : budget.parts) {
    if (is_random(part) || !(part.uncertainty_w > 0.0)) continue;
    all.push_back(part.kind);
    if (expanded({part}) > wanted_w) alone.push_back(part.kind);
  }
  return alone.empty() ? all : alone;
}

}  // namespace

std::optional<LevelForecast> level_forecast(const LevelBudget& budget, double segment_s, double wanted_share) {
  const double level_w = std::abs(budget.level_w);
  if (budget.readings < fewest_readings || !(level_w > budget.uncertainty_w) || !(segment_s > 0.0)) return std::nullopt;
  const double wanted_w = wanted_share * level_w;
  LevelForecast forecast;
  forecast.share = budget.uncertainty_w / level_w;
  const double least_w = uncertainty_after(budget, INFINITY);
  forecast.least_share = std::min(forecast.share, least_w / level_w);
  if (budget.uncertainty_w <= wanted_w) {
    forecast.verdict = LevelForecast::Verdict::good;
    return forecast;
  }
  double low = 1.0, high = longest_factor;
  const bool never = least_w > wanted_w || budget.bounded_by_display || uncertainty_after(budget, high) > wanted_w;
  if (never) {
    forecast.verdict = LevelForecast::Verdict::never;
    forecast.limits = budget.bounded_by_display ? std::vector{PartKind::display_step} : limits_of(budget, wanted_w);
    return forecast;
  }
  for (int i = 0; i < halvings; ++i) {
    const double middle = std::sqrt(low * high);
    (uncertainty_after(budget, middle) > wanted_w ? low : high) = middle;
  }
  // Two thirds of the segment are used at its end as they are now: both grow by the same factor.
  forecast.wait_s = segment_s * (high - 1.0);
  return forecast;
}

}  // namespace nightwatt
