// How often a display that only rounds repeats itself before slow noise: what tells it from one that sticks or holds.
#pragma once

#include <cstddef>
#include <optional>

namespace nightwatt {

/// Gaussian first-order noise about a level, in steps of the display.
struct RoundedNoise {
  double level = 0.0;
  double noise = 0.0;
  double correlation = 0.0;  ///< of neighbouring readings
};

/// Shares of the readings.
struct Repeats {
  double equal = 0.0;    ///< like the one before
  double singles = 0.0;  ///< unlike the one before and the one after
};

/// On `count_number` counts from the first, which is 0.
[[nodiscard]] Repeats repeats_of(const RoundedNoise& noise, std::size_t count_number);

/// The correlation with which neighbours are alike this often; nullopt where none makes them so.
[[nodiscard]] std::optional<double> correlation_of(const RoundedNoise& noise, std::size_t count_number, double equal);

}  // namespace nightwatt
