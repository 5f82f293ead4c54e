// How the readings of a level scatter about it or its slope, and how sure that makes their mean.
#pragma once

#include <span>

#include "measure/uncertainty/long_run.hpp"
#include "uncertainty/level_pieces.hpp"

namespace nightwatt {

/// Statistics of the readings about their own slope, where they have one.
struct LevelScatter {
  double readings = 0.0;
  double mean_w = 0.0;       ///< each reading alike
  double time_mean_w = 0.0;  ///< each stretch of time alike
  double standard_deviation_w = 0.0;
  double inflation = 1.0;  ///< of the variance of the mean, by correlation
  double degrees_of_freedom = 1.0;
  double slope_w_per_s = 0.0;      ///< as fitted
  double slope_uncertainty = 0.0;  ///< standard, correlation counted
  double slope_degrees_of_freedom = 1.0;
  bool drifts = false;
  double centre_s = 0.0;       ///< of the readings
  double time_centre_s = 0.0;  ///< of the time: a reading's is the interval before it

  /// Standard uncertainty of the mean.
  [[nodiscard]] double mean_uncertainty_w() const;
  /// The same, expanded.
  [[nodiscard]] double expanded_w() const;
};

/// Of the bins' means about the level or its slope, and of the readings in them; there is at least one quoted bin.
/// `quick_noise`: see quick_noise_of().
[[nodiscard]] LevelScatter level_scatter(const LevelPieces& pieces, std::span<const QuickNoise> quick_noise);

/// Fewer bins than this and their scatter is no estimate of anything.
constexpr std::size_t fewest_bins = 4;

}  // namespace nightwatt
