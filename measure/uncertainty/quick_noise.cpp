#include "measure/uncertainty/quick_noise.hpp"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <map>
#include <optional>

#include "measure/uncertainty/display_hysteresis.hpp"
#include "uncertainty/rounded_repeats.hpp"

namespace nightwatt {

namespace {

constexpr std::int64_t fewest_pairs = 20;
/// More counts than these and noise is large beside the step: slow noise shows in the bins and not in the repeats.
constexpr std::size_t most_counts = 9;
/// Repeats this many deviations beyond chance are no chance.
constexpr double surely = 4.0;

/// Shares of the readings on neighbouring counts of the display.
struct Shares {
  std::vector<double> shares;
  double mean = 0.0, variance = 0.0;  ///< in counts, from the first of them
  double chance = 0.0;                ///< that two readings which have nothing to do with each other are alike
  double chance_within = 0.0;         ///< the same of two readings of one bin, while the level moves from bin to bin
};

std::optional<Shares> shares_of(const LevelSketch& sketch, double step_w) {
  if (!sketch.counted()) return std::nullopt;
  std::map<std::int64_t, double> counts;
  double n = 0.0, pairs = 0.0, alike = 0.0;
  for (const SketchBin& bin : sketch.bins()) {
    pairs += static_cast<double>(bin.n) * static_cast<double>(bin.n - 1);
    for (const ShownValue& shown : sketch.shown(bin)) {
      alike += static_cast<double>(shown.n) * static_cast<double>(shown.n - 1);
      const double steps = step_w > 0.0 ? static_cast<double>(shown.microwatts) * 1e-6 / step_w : 1e16;
      const bool countable = std::abs(steps) < 1e15 && std::abs(steps - std::round(steps)) < 0.01;
      counts[countable ? std::llround(steps) : shown.microwatts] += static_cast<double>(shown.n);
      n += static_cast<double>(shown.n);
    }
  }
  if (!(n > 0.0)) return std::nullopt;
  Shares all;
  if (pairs > 0.0) all.chance_within = alike / pairs;
  for (const auto& [count, share] : counts) all.chance += (share / n) * (share / n);
  const auto width = counts.rbegin()->first - counts.begin()->first + 1;
  if (!(step_w > 0.0) || width > static_cast<std::int64_t>(most_counts)) return all;
  all.shares.resize(static_cast<std::size_t>(width));
  for (const auto& [count, share] : counts)
    all.shares[static_cast<std::size_t>(count - counts.begin()->first)] = share / n;
  for (std::size_t k = 0; k < all.shares.size(); ++k) all.mean += static_cast<double>(k) * all.shares[k];
  for (std::size_t k = 0; k < all.shares.size(); ++k)
    all.variance += std::pow(static_cast<double>(k) - all.mean, 2) * all.shares[k];
  return all;
}

/// Readings that one is worth for first-order noise whose neighbours are alike this often.
std::optional<double> by_correlation_time(const Shares& shown, double equal) {
  constexpr double least_noise = 0.25;
  const double noise = std::sqrt(std::max(0.0, shown.variance - 1.0 / 12.0));
  if (shown.shares.size() < 3 || noise < least_noise) return std::nullopt;
  const auto correlation = correlation_of({shown.mean, noise}, shown.shares.size(), equal);
  if (!correlation) return std::nullopt;
  return (1.0 + *correlation) / (1.0 - *correlation);
}

}  // namespace

std::vector<double> readings_per_independent(const LevelSketch& sketch, double step_w) {
  constexpr double most_alone = 0.05;  // of the changes, where a meter holds its readings
  constexpr double held_surely = 0.3;
  const TieStatistics& repeats = sketch.repeats();
  if (repeats.pairs < fewest_pairs || repeats.equal >= repeats.pairs) return {1.0};
  const auto pairs = static_cast<double>(repeats.pairs);
  const double equal = static_cast<double>(repeats.equal) / pairs, alone = static_cast<double>(repeats.singles) / pairs;
  const Shares shown = shares_of(sketch, step_w).value_or(Shares{});
  if (!(shown.chance < 1.0)) return {1.0};
  const double moved = (1.0 - equal) / (1.0 - shown.chance);  // how often the meter had a new reading
  if (alone <= most_alone * (1.0 - equal) && moved < 1.0 - held_surely) return {1.0 / moved};
  // Of changes by chance: as of the runs in a row of throws (Wald & Wolfowitz 1940, from memory).
  const double chance = std::max(shown.chance, shown.chance_within);
  if (equal - chance < surely * (1.0 - chance) / std::sqrt(pairs)) return {1.0};
  std::vector<double> all;
  if (const auto variance_inflation = by_correlation_time(shown, equal)) all.push_back(*variance_inflation);
  if (const auto sticks = display_hysteresis({shown.shares, equal, alone}))
    all.push_back(std::max(1.0, sticks->inflation));
  return all;
}

}  // namespace nightwatt
