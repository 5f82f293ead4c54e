#include <algorithm>
#include <cmath>

#include "segment/segment_models.hpp"

namespace nightwatt {

namespace {

constexpr double irregular_cost = 3.0;  // irregular work begins
constexpr double irregular_share =
    0.4;                                // and lasts so much of a shortest segment: the longer, the less it is irregular
constexpr double least_firmness = 0.4;  // what scatters counts that much of its time as held, however much it scatters

/// How much a level tells a piece better than irregular work does: 1 where it is quiet, less the more nearly it
/// scatters as no level does.
double firmness(const Evidence& e, double step_w) {
  const double quiet_w = std::hypot(tolerance_share * e.mean_w, tolerance_w);
  const double display = step_w * step_w / 4.0;  // the most that toggling of two counts scatters
  const double louder = std::sqrt(std::max(e.own_variance - display, 0.0)) / quiet_w;
  if (louder <= 1.0) return 1.0;
  return std::max(1.0 - std::log(louder) / std::log(steps_share / tolerance_share), least_firmness);
}

}  // namespace

Offers irregular_offers(Evidences at, std::size_t i, const PieceRules& rules) {
  const double lasts_s =
      std::max(irregular_share * rules.shortest_s, static_cast<double>(least_points) * rules.interval_s);
  Offers offers;
  double cost = irregular_cost;
  for (std::size_t j = i; j < at.size(); ++j) {
    const Evidence& e = at[j];
    if (!e.irregular) cost += irregular_piece + (e.restless ? 0.0 : firmness(e, rules.step_w) * e.length_s / lasts_s);
    offers.push_back({j + 1, Model::irregular, cost});
  }
  return offers;
}

Offers jump_offers(Evidences at, std::size_t i) {
  Offers offers;
  std::int64_t points = 0;
  for (std::size_t j = i; j < at.size(); ++j) {
    points += at[j].points;
    if (points > jump_points) break;
    offers.push_back({j + 1, Model::jump, jump_cost});
  }
  return offers;
}

}  // namespace nightwatt
