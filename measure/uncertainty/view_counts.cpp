#include "uncertainty/view_counts.hpp"

#include <algorithm>
#include <cmath>
#include <iterator>
#include <limits>

namespace nightwatt {

namespace {

/// Readings that count one by one and readings weighted by their time may differ by this much of a step; more, and the
/// meter speaks when something changes: its counts say nothing of how long they were shown.
constexpr double even_reading = 0.1;
/// A reading is a count of the step where it is this near to a multiple of it.
constexpr double on_a_count = 0.01;
/// More counts than this are no whole numbers in a double any more.
constexpr double most_counts = 1e15;

/// Single readings far away: left out as longer excursions are.
void drop_strays(std::vector<ViewCounts>& views, double mean_steps) {
  double all = 0.0, far = 0.0;
  const auto is_far = [&](std::int64_t count) {
    return std::abs(static_cast<double>(count) - mean_steps) > 2.0 * excursion_deviations;
  };
  for (const ViewCounts& counts : views)
    for (const auto& [count, n] : counts) {
      all += n;
      if (is_far(count)) far += n;
    }
  if (far == 0.0 || far > excursion_share * all) return;
  for (ViewCounts& counts : views) std::erase_if(counts, [&](const auto& one) { return is_far(one.first); });
}

/// A meter that averages shows something between two levels where they meet: the only reading of its count, and the
/// stretch's last. As a third count it would tell a noise that is not there.
void drop_mixed(std::vector<ViewCounts>& views) {
  const auto elsewhere = [&](std::int64_t count) {
    return std::any_of(views.begin(), views.end() - 1, [&](const auto& one) { return one.contains(count); });
  };
  ViewCounts& last = views.back();
  if (views.size() < 2 || last.size() < 2) return;
  for (const auto end : {last.begin(), std::prev(last.end())})
    if (end->second == 1.0 && !elsewhere(end->first)) {
      last.erase(end);
      return;
    }
}

void put(CountGroup& group, const ViewCounts& counts) {
  for (const auto& [count, n] : counts) {
    if (group.counts.empty()) group.lowest = count;
    while (count < group.lowest) {
      group.counts.insert(group.counts.begin(), 0.0);
      --group.lowest;
    }
    const auto place = static_cast<std::size_t>(count - group.lowest);
    if (group.counts.size() <= place) group.counts.resize(place + 1, 0.0);
    group.counts[place] += n;
  }
}

}  // namespace

double on_change_evidence(const LevelSketch& sketch, const std::vector<BinView>& views) {
  constexpr double never = -std::numeric_limits<double>::infinity();
  const TieStatistics& repeats = sketch.repeats();
  if (repeats.pairs == 0 || views.size() < fewest_bins || !sketch.counted()) return never;
  std::map<std::int64_t, double> counts;
  double n = 0.0, alike = 0.0;
  std::int64_t fewest = std::numeric_limits<std::int64_t>::max(), most = 0;
  for (std::size_t i = 0; i < views.size(); ++i) {
    for (const ShownValue& shown : sketch.shown(*views[i].bin)) {
      counts[shown.microwatts] += static_cast<double>(shown.n);
      n += static_cast<double>(shown.n);
    }
    if (i == 0 || i + 1 == views.size()) continue;  // part of a bin
    fewest = std::min(fewest, views[i].bin->n);
    most = std::max(most, views[i].bin->n);
  }
  if (most <= fewest + 1) return never;  // it sends by the clock
  for (const auto& [value, count] : counts) alike += (count / n) * (count / n);
  if (!(alike < 1.0)) return never;
  const auto equal = static_cast<double>(repeats.equal), other = static_cast<double>(repeats.pairs - repeats.equal);
  // A meter that sends each reading repeats itself by chance or more often; one that speaks on change hardly ever, of
  // which the odds fall as (1 - share)^rarely: a Beta distribution, whose integral is a Beta function.
  constexpr double rarely = 29.0;
  const double share = std::max(alike, equal / (equal + other));
  const double by_chance = equal * std::log(share) + other * std::log1p(-share);
  const double on_change = std::log(rarely + 1.0) + std::lgamma(equal + 1.0) + std::lgamma(other + rarely + 1.0) -
                           std::lgamma(equal + other + rarely + 2.0);
  return on_change - by_chance;
}

std::optional<std::vector<ViewCounts>> view_counts(const LevelSketch& sketch, const std::vector<BinView>& views,
                                                   const LevelScatter& scatter, double step_w) {
  if (!sketch.counted()) return std::nullopt;
  if (std::abs(scatter.time_mean_w - scatter.mean_w) > even_reading * step_w) return std::nullopt;
  std::vector<ViewCounts> all;
  for (const BinView& view : views) {
    ViewCounts& counts = all.emplace_back();
    for (const ShownValue& shown : sketch.shown(*view.bin)) {
      const double steps = static_cast<double>(shown.microwatts) * 1e-6 / step_w;
      if (!(std::abs(steps) < most_counts) || std::abs(steps - std::round(steps)) > on_a_count) return std::nullopt;
      counts[std::llround(steps)] += static_cast<double>(shown.n);
    }
  }
  drop_strays(all, scatter.mean_w / step_w);
  if (views.back().bin == &sketch.bins().back()) drop_mixed(all);
  return all;
}

std::vector<CountGroup> count_groups(const std::vector<ViewCounts>& counts, const std::vector<BinView>& views,
                                     const LevelScatter& scatter, double step_w) {
  std::vector<CountGroup> all(scatter.drifts ? counts.size() : 1);
  for (std::size_t i = 0; i < counts.size(); ++i) {
    CountGroup& group = all[scatter.drifts ? i : 0];
    if (scatter.drifts) group.offset = scatter.slope_w_per_s * (views[i].at_s - scatter.centre_s) / step_w;
    put(group, counts[i]);
  }
  return all;
}

}  // namespace nightwatt
