// How certain the mean, or the slope, of correlated readings is.
#pragma once

#include <cstddef>
#include <optional>
#include <span>

namespace nightwatt {

/// A standard uncertainty whose coverage factor for `degrees_of_freedom` (see coverage_factor()) gives the interval
/// of 95.45 %.
struct StandardUncertainty {
  double uncertainty = 0.0;
  double degrees_of_freedom = 1.0;  ///< at least 1
};

struct LongRun {
  StandardUncertainty mean;
  std::optional<StandardUncertainty> slope;  ///< of the least-squares line, where one was asked for
};

/// Quick noise that may be: so many readings are worth one independent reading, with this weight among its like.
struct QuickNoise {
  double readings_per_independent = 1.0;
  double weight = 1.0;
};

/// Equally spaced values, each of them a reading or the mean of as many.
struct Batches {
  std::span<const double> means;
  std::span<const double> at = {};  ///< their places, for the mean and slope about their least-squares line; or empty
  std::size_t before = 0;           ///< so many of the first tell of the noise alone; mean and slope are of the rest
  double readings = 1.0;            ///< in each
  double within = 0.0;              ///< variance of the readings about their own batch's mean
  double within_degrees_of_freedom = 0.0;        ///< of `within`; 0: not known
  std::span<const QuickNoise> quick_noise = {};  ///< what weights lack of 1: it may be of any size
};

/// Of the plain mean: first-order noise (it forgets by e^(-1/tau) a value) and quicker noise together, neither their
/// sizes nor tau known. No single estimate is trusted: every tau and size counts by its likelihood, so that a
/// short record of slow noise, which hardly tells tau, gets the wide interval it deserves. What the readings scatter
/// within the batches says how much their means would, were the readings independent: the slow noise is what there is
/// beyond it.
[[nodiscard]] LongRun long_run(const Batches& batches);
[[nodiscard]] LongRun long_run(std::span<const double> values, std::span<const double> at = {});

}  // namespace nightwatt
