#include <algorithm>
#include <array>
#include <cmath>

#include "segment/segment_models.hpp"
#include "segment/weighted_mean.hpp"

namespace nightwatt {

namespace {

constexpr double turns_cost = 8.0;        // a second level and its share of the time
constexpr double turns_reach = 4.0;       // deviations, of a phase from its level
constexpr double rare = 1.0 / 3.0;        // of the time: less departs from a level
constexpr double uncut_share = 0.15;      // how nearly their scatter is that of two levels, where the engine cut none
constexpr std::size_t uncut_after = 2;    // phases, which tell both levels
constexpr std::size_t least_phases = 10;  // five cycles

/// Several phases that the engine took for noise: readings at two levels scatter more than any others between them.
bool is_uncut(const Evidence& e, double a_w, double b_w) {
  const double share = (e.mean_w - a_w) / (b_w - a_w);
  if (share < rare / 2.0 || share > 1.0 - rare / 2.0) return false;
  const double expected = std::abs(b_w - a_w) * std::sqrt(share * (1.0 - share));
  return std::abs(std::sqrt(e.own_variance) - expected) < uncut_share * expected;
}

/// Turns so far, up to piece `end`: how many phases, and what their levels leave unexplained.
struct TurnsStep {
  std::size_t end = 0;
  std::size_t phases = 0;
  double cost = 0.0;
};
struct TurnsWalk {
  std::vector<std::size_t> phases;  // where they begin
  std::vector<TurnsStep> steps;
};

/// Pieces from `i` on by turns at two levels, each phase shorter than a minute.
TurnsWalk walk(Evidences at, std::size_t i) {
  TurnsWalk out;
  std::vector<std::size_t>& phases = out.phases;
  std::array<WeightedMean, 2> levels;
  double rest = 0.0, phase_from_s = 0.0;
  // Of how far they are apart a little is no way from either.
  const auto spread = [&](const Evidence& e) {
    if (!(levels[0].w > 0.0 && levels[1].w > 0.0)) return e.mean_variance;
    const double apart = tolerance_share * (levels[0].mean() - levels[1].mean());
    return e.mean_variance + apart * apart;
  };
  const auto off = [&](const Evidence& e, std::size_t phase) {
    const WeightedMean& level = levels[phase % 2];
    return level.w > 0.0 ? std::abs(e.mean_w - level.mean()) / std::sqrt(spread(e)) : 0.0;
  };
  for (std::size_t j = i; j < at.size(); ++j) {
    const Evidence& e = at[j];
    const std::size_t now = phases.size();
    if (now >= uncut_after && is_uncut(e, levels[0].mean(), levels[1].mean())) {
      rest += irregular_piece;
      phase_from_s = e.begin_s + e.length_s;
    } else {
      if (e.restless || e.length_s >= turns_s) break;
      const bool goes_on = now > 0 && off(e, now - 1) <= turns_reach && (now < 2 || off(e, now - 1) < off(e, now));
      if (goes_on && e.begin_s + e.length_s - phase_from_s >= turns_s) break;
      if (!goes_on && (off(e, now) > turns_reach || (e.points <= jump_points && now < 2))) {
        if (e.points > jump_points) break;
        rest += jump_cost;
        continue;
      }
      levels[(goes_on ? now - 1 : now) % 2].add(e.mean_w, spread(e));
      if (!goes_on) phases.push_back(j), phase_from_s = e.begin_s;
    }
    out.steps.push_back({j + 1, phases.size(), rest + levels[0].rest() + levels[1].rest()});
  }
  return out;
}

/// Mean of every second phase.
double phase_level_w(Evidences at, std::span<const std::size_t> phases, std::size_t first) {
  double sum = 0.0, n = 0.0;
  for (std::size_t k = first; k < phases.size(); k += 2) sum += at[phases[k]].mean_w, n += 1.0;
  return sum / n;
}

/// Share of the time up to piece `end` at the upper level, from the mean of all.
double upper_share(Evidences at, std::span<const std::size_t> phases, std::size_t end) {
  double energy_ws = 0.0, all_s = 0.0;
  for (std::size_t k = phases.front(); k < end; ++k)
    energy_ws += at[k].mean_w * at[k].length_s, all_s += at[k].length_s;
  const double a_w = phase_level_w(at, phases, 0), b_w = phase_level_w(at, phases, 1);
  const double low_w = std::min(a_w, b_w);
  return (energy_ws / all_s - low_w) / std::max(std::abs(a_w - b_w), 1e-9);
}

}  // namespace

Offers turns_offers(Evidences at, std::size_t i) {
  Offers offers;
  const TurnsWalk walked = walk(at, i);
  for (const TurnsStep& step : walked.steps) {
    if (step.phases < least_phases) continue;
    // Neither level so rare that it departs from the other.
    const double share = upper_share(at, std::span(walked.phases).first(step.phases), step.end);
    if (share > rare && share < 1.0 - rare) offers.push_back({step.end, Model::turns, turns_cost + step.cost});
  }
  return offers;
}

Turns turns_of(Evidences at, std::size_t first, std::size_t last) {
  Turns turns{walk(at.first(last), first).phases, 0.0};
  turns.upper_share = upper_share(at, turns.phases, last);
  return turns;
}

}  // namespace nightwatt
