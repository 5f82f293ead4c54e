// What is to be added to a meter's readings by its calibration, and how sure that is.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt {

/// Truth as a curve of what the meter shows. A value; powers in W.
struct Correction {
  std::vector<double> coefficients = {0.0, 1.0};     ///< of 1, the power shown, and perhaps its square
  std::vector<double> covariance = {0.0, 0.0, 0.0};  ///< of them, the upper triangle row by row; wider for few points
  double scatter_w = 0.0;                            ///< deviation of levels about the curve, beyond their own chance
  double from_w = 0.0, to_w = 0.0;                   ///< the levels it was made from
  UtcTime made;
  UtcTime until;  ///< after it the meter may have changed

  [[nodiscard]] double at(double shown_w) const;
  /// By how much the truth moves when the reading moves.
  [[nodiscard]] double slope_at(double shown_w) const;
  /// Standard uncertainty of at().
  [[nodiscard]] double standard_deviation_at(double shown_w) const;
  /// Whether the level lies within what was calibrated, a tenth beyond allowed (common practice, no source).
  [[nodiscard]] bool covers(double shown_w) const;
  /// Whether it can be the correction of a meter at all: the curve rises, and `covariance` is a covariance.
  [[nodiscard]] bool sound() const;
  /// `calibrated 2026-03-12`, for whoever reads a figure made with it.
  [[nodiscard]] std::string words() const;
  friend bool operator==(const Correction&, const Correction&) = default;
};

/// As the store keeps it beside a run, and back. Error kind input where the text is none, or one not sound().
[[nodiscard]] std::string correction_text(const Correction& correction);
[[nodiscard]] Result<Correction> correction_from_text(std::string_view text);

}  // namespace nightwatt
