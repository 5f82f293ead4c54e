// A display that moves only when the power is well past the edge of a count: how far past, from how often each count
// was shown and how often the display repeated itself.
#pragma once

#include <cstdint>
#include <optional>
#include <span>

namespace nightwatt {

/// What is known of the readings of a level.
struct ShownCounts {
  std::span<const double> shares;  ///< of the readings, on neighbouring counts from the lowest; they add up to 1
  double equal = 0.0;              ///< share of neighbouring readings that are alike
  double singles = 0.0;            ///< share of readings that differ from both neighbours
};

struct DisplayHysteresis {
  double past_edge = 0.0;  ///< steps by which the power must be past a count's edge
  double off = 0.0;        ///< steps by which its level is above that of a display which only rounds
  double noise = 0.0;      ///< in steps
  double singles = 0.0;    ///< share that such a display would show
  double inflation = 1.0;  ///< of the variance of the readings' mean, by how long the display stays
};

/// For noise that forgets from one reading to the next: the least hysteresis with which it repeats itself as often as
/// seen. nullopt where two counts or many leave that open, or nothing fits.
[[nodiscard]] std::optional<DisplayHysteresis> display_hysteresis(const ShownCounts& shown);

}  // namespace nightwatt
