// How much wider correlation makes the uncertainty of a mean of readings.
#pragma once

#include <cstddef>
#include <span>

namespace nightwatt {

struct LongRun {
  double inflation = 1.0;  ///< variance of the mean over s^2/n; at least 1
  double freedom = 1.0;    ///< degrees of freedom the estimate of that variance is worth; at least 1
  double effective = 1.0;  ///< independent readings the series is worth
};

/// From an autoregressive model of the series (order by Akaike's corrected criterion, at most 12; Yule-Walker by
/// Levinson and Durbin): the spectrum at zero frequency is s_e^2 / (1 - sum phi)^2, which for first order is Zwiers &
/// von Storch's (1 + r) / (1 - r). Estimates of phi from short records come out too small by about (1 + 4 phi) / n
/// (Marriott & Pope 1954 for first order, from memory); that is added back. Needs no choice of a cut-off, and one pass
/// over the data per order.
[[nodiscard]] LongRun long_run(std::span<const double> values);

}  // namespace nightwatt
