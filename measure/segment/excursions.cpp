#include "segment/excursions.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "measure/uncertainty/statistics.hpp"

namespace nightwatt {

namespace {

constexpr double away_steps = 2.5;        // a display toggles between neighbouring counts, and sometimes skips one
constexpr double away_deviations = 10.0;  // of the piece's last readings: noise never does that
constexpr double away_stirs = 3.0;  // of how much neighbours usually differ; looked at first, for it costs nothing
constexpr double stir_readings = 16.0;
constexpr double away_share = 0.02;        // of the level: less makes no difference to it
constexpr std::int64_t rest_per_away = 4;  // readings at rest for each one away: more often, and it is how the level is

/// How far a piece's last readings are from their median.
std::vector<double> off_median_w(const std::vector<EdgePoint>& recent) {
  const std::size_t n = std::min(recent.size(), edge_point_limit);
  std::vector<double> off;
  for (std::size_t i = recent.size() - n; i < recent.size(); ++i) off.push_back(recent[i].mean);
  const double median = median_of(off);
  for (double& value : off) value = std::abs(value - median);
  return off;
}

}  // namespace

/// How many points from the first on are away from the level before them, which comes back after; 0: none.
std::size_t Excursions::away_from_here(const std::deque<StreamPoint>& coming, std::size_t alike, double level_w,
                                       const std::vector<EdgePoint>& recent, double step_w) const {
  const auto longest = static_cast<std::size_t>(std::min<std::int64_t>(longest_away, rested_ / rest_per_away));
  double least_w = std::max({away_steps * step_w, away_share * std::abs(level_w), away_stirs * stir_w_});
  if (longest == 0 || std::abs(coming.front().mean - level_w) <= least_w) return 0;
  const std::vector<double> off = off_median_w(recent);
  least_w = std::max(least_w, away_deviations * 1.4826 * median_of(off));
  const auto often = std::count_if(off.begin(), off.end(), [&](double w) { return w > least_w / 2.0; });
  if (often * rest_per_away > static_cast<std::int64_t>(off.size())) return 0;
  for (std::size_t i = 0; i < alike; ++i) {
    const double off_w = std::abs(coming[i].mean - level_w);
    if (i > 0 && off_w <= least_w / 2.0) return i;
    if (off_w <= least_w || i == longest) return 0;
  }
  return 0;
}

Excursions::Place Excursions::place(const std::deque<StreamPoint>& coming, std::size_t alike, double level_w,
                                    const std::vector<EdgePoint>& recent, double step_w) {
  const bool leaves = away_left_ == 0 && rested_ > 0 && !was_away_;
  if (leaves) away_left_ = away_from_here(coming, alike, level_w, recent, step_w);
  if (away_left_ > 0) {
    --away_left_;
    rested_ = 0;
    was_away_ = true;
    return leaves ? Place::leaves : Place::away;
  }
  if (std::exchange(was_away_, false)) {
    ++rested_;
    return Place::back;
  }
  if (rested_++ > 0) stir_w_ += (std::abs(coming.front().mean - level_w) - stir_w_) / stir_readings;
  return Place::level;
}

}  // namespace nightwatt
