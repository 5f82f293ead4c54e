// The level a table should quote of one stretch, and how sure it is.
#pragma once

#include <optional>

#include "measure/segmenter.hpp"

namespace nightwatt {

struct Level {
  double mean_w = 0.0;  ///< over the last two thirds of the time, excursions left out
  double uncertainty_w =
      0.0;  ///< expanded, k = 2; never 0 but for a stretch whose display step is unknown and noiseless
  double drift_w_per_h = 0.0;  ///< least-squares slope over the same time
};

/// nullopt where the stretch holds no reading.
[[nodiscard]] std::optional<Level> level_of(const Stretch& stretch, const MeterTraits& traits, double step_w);

/// Standard uncertainty of the mean of equally weighted bins from their scatter and that of the readings in them, the
/// few degrees of freedom made good so that twice it covers 95.45 %.
[[nodiscard]] double statistical_uncertainty(std::span<const SketchBin> bins);

/// Student's t for 95.45 % and whole degrees of freedom >= 1.
[[nodiscard]] double student_k2(int degrees_of_freedom);

}  // namespace nightwatt
