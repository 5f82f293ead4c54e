// How sure a mean, or a slope, of readings that remember each other is.
#pragma once

#include <optional>
#include <span>

namespace nightwatt {

/// A standard uncertainty whose coverage factor for `freedom` (see k_for()) gives the interval of 95.45 %.
struct Sureness {
  double uncertainty = 0.0;
  double freedom = 1.0;  ///< degrees of freedom, at least 1
};

struct LongRun {
  Sureness mean;
  std::optional<Sureness> slope;  ///< of the least-squares line, where one was asked for
};

/// Of the plain mean of equally spaced values: first-order noise (it forgets by e^(-1/tau) a value) and white noise
/// together, neither their sizes nor tau known. Nothing is estimated and then believed: every tau and share counts by
/// its likelihood, so that a short record of slow noise, which hardly tells tau, gets the wide interval it deserves.
/// `at`: places of the values, for the mean and slope about their least-squares line; empty: about their mean.
/// `independent`: each value is a mean of many readings that scatter as much as independent ones would make it: slow
/// noise is then less likely from the outset.
[[nodiscard]] LongRun long_run(std::span<const double> values, std::span<const double> at = {},
                               bool independent = false);

}  // namespace nightwatt
