#include <algorithm>
#include <cmath>

#include "segment/segment_models.hpp"
#include "segment/weighted_mean.hpp"

namespace nightwatt {

namespace {

constexpr std::int64_t least_readings = 3;  // the contract's: of a steady segment

/// A level so far: whether the last piece departs from it, whether the level may end there, and what it costs.
struct LevelStep {
  bool away = false;
  bool whole = false;
  double cost = 0.0;
};

/// A level from piece `i` on, piece by piece as far as there is hope.
std::vector<LevelStep> walk(Evidences at, std::size_t i, const PieceRules& rules) {
  std::vector<LevelStep> steps;
  WeightedMean sure;   // of all pieces of the level but the last
  WeightedMean apart;  // of all, brief ones as they are: they wander beside a piece that holds
  bool held = false;
  double rest = 0.0, held_s = 0.0, away_s = 0.0, back_s = 0.0, last_away_s = 0.0, stepped = 0.0;
  std::int64_t readings = 0;
  std::size_t last = at.size();
  const auto variance_of = [&](std::size_t k, double stepping) {
    return at[k].mean_variance + (1.0 - stepping) * at[k].wander_variance;
  };
  for (std::size_t j = i; j < at.size(); ++j) {
    const Evidence& e = at[j];
    if (e.restless) break;
    WeightedMean so_far = sure;
    if (last < at.size()) so_far.add(at[last].mean_w, variance_of(last, stepped));
    const bool away =
        e.length_s < turns_s && so_far.w > 0.0 && std::abs(e.mean_w - so_far.mean()) > 3.0 * std::sqrt(e.far_variance);
    if (away) {
      rest += away_s == 0.0 ? excursion_cost : irregular_piece;  // each further piece has a mean of its own
      away_s += e.length_s;
      // What departs is short beside the level it departs from and comes back to.
      const double rest_s = std::clamp(away_s, rules.edge_window_s(), rules.shortest_s);
      if (away_s >= rules.shortest_s || held_s < rest_s) break;
      last_away_s = away_s;
      back_s = 0.0;
    } else {
      // Behind a departure nothing says whether the level wandered or stepped.
      const double step = last == at.size() ? 0.0 : (away_s > 0.0 ? 1.0 : e.step_before);
      if (last < at.size()) sure.add(at[last].mean_w, variance_of(last, std::max(stepped, step)));
      so_far = sure;
      so_far.add(e.mean_w, variance_of(j, last == at.size() ? 1.0 : step));
      stepped = step;
      last = j;
      away_s = 0.0;
      back_s += e.length_s;
      rest += 0.5 * e.lean_w * e.lean_w / e.lean_variance;
      apart.add(e.mean_w, e.mean_variance - (e.brief ? e.wander_variance : 0.0));
      held = held || !e.brief;
      held_s += e.length_s;
      readings += e.readings;
    }
    const bool whole = !away && back_s >= last_away_s && held_s >= rules.shortest_s && readings >= least_readings;
    const double cost = rest + (held ? so_far : apart).rest();
    steps.push_back({away, whole, cost});
    if (!(cost < hopeless(j + 1 - i))) break;
  }
  return steps;
}

}  // namespace

Offers level_offers(Evidences at, std::size_t i, const PieceRules& rules) {
  Offers offers;
  const std::vector<LevelStep> steps = walk(at, i, rules);
  for (std::size_t k = 0; k < steps.size(); ++k)
    if (steps[k].whole) offers.push_back({i + k + 1, Model::level, level_cost + steps[k].cost});
  return offers;
}

std::vector<bool> level_departures(Evidences at, std::size_t first, std::size_t last, const PieceRules& rules) {
  std::vector<bool> away(last - first, false);
  const std::vector<LevelStep> steps = walk(at, first, rules);
  for (std::size_t k = 0; k < std::min(away.size(), steps.size()); ++k) away[k] = steps[k].away;
  return away;
}

}  // namespace nightwatt
