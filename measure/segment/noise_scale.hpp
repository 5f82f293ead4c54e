// How strong and how correlated the noise of a series is while its mean steps: the penalty's scale.
#pragma once

#include <cstdint>
#include <span>

namespace nightwatt {

struct NoiseScale {
  double sigma_lr = 0.0;  ///< long-run: sigma of the innovations / (1 - phi)
  double phi = 0.0;       ///< lag-1 correlation of the residuals, in [0, 0.96]
};

/// Fits the series by ever fewer steps (optimal partitions along a ladder of penalties) and takes the fit that explains
/// it best with AR(1) noise: -2 ln L + 3 ln n for each change. A trend or a random walk is then noise, not a staircase.
/// `cuts`: indices where a section begins. `step`: of the display, 0 if unknown.
[[nodiscard]] NoiseScale learn_noise(std::span<const double> series, std::span<const std::int64_t> cuts, double step);

/// The same at constant cost a number, for a block of a stream already known: the largest of tau x Allan variance for
/// averages of 1, 4 and 16 (NIST SP 1065, 5.2.2), each from the upper quartile of its differences, which neither
/// changes of level nor a block half at rest disturb.
[[nodiscard]] double follow_noise(std::span<const double> series);

/// The same of a short stretch of a stream whose levels may last no longer than a few dozen numbers: from neighbours
/// and from neighbouring means of `widest` numbers alone, as wider ones would take the levels themselves for noise.
[[nodiscard]] double local_noise(std::span<const double> y, std::size_t widest);

/// Its square for a stretch that shows two neighbouring counts of a display, or one: from the mean of the squares.
/// Most differences are nothing there, of which a quartile says nothing, and no level steps by more than what toggles.
[[nodiscard]] double toggling_noise_square(std::span<const double> y, std::size_t widest);

}  // namespace nightwatt
