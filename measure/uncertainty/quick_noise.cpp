#include "measure/uncertainty/quick_noise.hpp"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <map>
#include <optional>

#include "measure/uncertainty/display_hysteresis.hpp"
#include "uncertainty/display_priors.hpp"
#include "uncertainty/repeat_causes.hpp"

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

/// Behind the counts, where they tell it.
std::optional<RoundedNoise> noise_behind(const Shares& shown) {
  constexpr double least_noise = 0.25;
  const double noise = std::sqrt(std::max(0.0, shown.variance - 1.0 / 12.0));
  if (shown.shares.size() < 3 || noise < least_noise) return std::nullopt;
  return RoundedNoise{shown.mean, noise};
}

}  // namespace

std::vector<QuickNoise> quick_noise_of(const LevelSketch& sketch, double step_w) {
  constexpr double negligible = 0.01;  // of the posterior
  const TieStatistics& repeats = sketch.repeats();
  if (repeats.pairs < fewest_pairs || repeats.equal >= repeats.pairs) return {{1.0, 1.0}};
  const Shares shown = shares_of(sketch, step_w).value_or(Shares{});
  if (!(shown.chance < 1.0)) return {{1.0, 1.0}};
  SeenRepeats seen;
  seen.pairs = static_cast<double>(repeats.pairs);
  seen.shares = {static_cast<double>(repeats.equal) / seen.pairs, static_cast<double>(repeats.singles) / seen.pairs};
  seen.chance = shown.chance;
  seen.count_number = shown.shares.size();
  seen.noise = noise_behind(shown);
  // Of changes by chance: as of the runs in a row of throws (Wald & Wolfowitz 1940, from memory).
  const double chance = std::max(shown.chance, shown.chance_within);
  seen.by_chance = seen.shares.equal - chance < surely * (1.0 - chance) / std::sqrt(seen.pairs);
  std::vector<RepeatCause> causes = causes_where_it_rounds(seen);
  for (RepeatCause& cause : causes) cause.weight *= display_prior::usual;
  if (!seen.by_chance)
    if (const auto sticks = display_hysteresis({shown.shares, seen.shares.equal, seen.shares.singles})) {
      causes.push_back(cause_where_it_sticks(seen, *sticks));
      causes.back().weight *= display_prior::sticks;
    }
  double sum = 0.0;
  for (const RepeatCause& cause : causes) sum += cause.weight;
  std::vector<QuickNoise> all;
  for (const RepeatCause& cause : causes)
    if (cause.readings_per_independent && cause.weight > negligible * sum)
      all.push_back({*cause.readings_per_independent, cause.weight / sum});
  return all;
}

}  // namespace nightwatt
