// One meter held against another, or against known loads: its correction, and whether its maker's promise was kept.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "measure/signal/correction.hpp"
#include "measure/signal/meter_profile.hpp"
#include "measure/signal/result.hpp"

namespace nightwatt {

/// One steady level as both saw it over the same time. Standard uncertainties.
struct CalibrationLevel {
  double shown_w = 0.0;
  double reference_w = 0.0;
  double random_w = 0.0;  ///< of the difference of both: what the load does by itself, both see
  double random_degrees_of_freedom = 1e9;
  double shown_display_w = 0.0;
  double reference_display_w = 0.0;
};

/// What is the same at all levels of the reference: standard uncertainties of its gain and its offset.
struct ReferenceTrust {
  double gain = 0.0;
  double offset_w = 0.0;
  [[nodiscard]] static ReferenceTrust of(const Accuracy& permissible_error);  ///< half-widths of rectangles (GUM 4.3.7)
};

enum class Conformity : std::uint8_t { kept, broken, cannot_tell };

struct CalibrationPoint {
  CalibrationLevel level;
  double corrected_w = 0.0;
  double residual_w = 0.0;                    ///< reference less corrected
  double error_w = 0.0;                       ///< shown less reference
  double error_uncertainty_w = 0.0;           ///< k = 2
  std::optional<double> permissible_error_w;  ///< half-width of the maker's promise at that level
  std::optional<Conformity> permissible_error;
};

struct Calibration {
  Correction correction;  ///< `made` and `until` are the caller's to set
  std::vector<CalibrationPoint> points;
  double chi_squared = 0.0, degrees_of_freedom = 0.0;  ///< of the fit, the levels' own uncertainties counted alone
  bool bent = false;                                   ///< the square earned its place
  std::optional<Conformity> permissible_error;         ///< of all points: broken where one is, kept where all are
};

/// ErrorKind::input where there are fewer than two levels, or they lie too near each other to tell gain from offset.
[[nodiscard]] Result<Calibration> calibrate(std::span<const CalibrationLevel> levels, const ReferenceTrust& reference,
                                            const std::optional<Accuracy>& permissible_error);

}  // namespace nightwatt
