// One meter held against another, or against known loads: its correction, and whether its maker's promise was kept.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "measure/correction.hpp"
#include "measure/meter_profile.hpp"
#include "measure/result.hpp"

namespace nightwatt {

/// One steady level as both saw it over the same time. Standard uncertainties.
struct CalibrationLevel {
  double shown_w = 0.0;
  double reference_w = 0.0;
  double chance_w = 0.0;  ///< of the difference of both: what the load does by itself, both see
  double chance_freedom = 1e9;
  double shown_display_w = 0.0;
  double reference_display_w = 0.0;
};

/// What is the same at all levels of the reference: standard uncertainties of its gain and its offset.
struct ReferenceTrust {
  double gain = 0.0;
  double offset_w = 0.0;
  [[nodiscard]] static ReferenceTrust of(const Accuracy& promise);  ///< half-widths of rectangles (GUM 4.3.7)
};

enum class Promise : std::uint8_t { kept, broken, cannot_tell };

struct CalibrationPoint {
  CalibrationLevel level;
  double corrected_w = 0.0;
  double residual_w = 0.0;           ///< reference less corrected
  double error_w = 0.0;              ///< shown less reference
  double error_uncertainty_w = 0.0;  ///< k = 2
  std::optional<double> promised_w;  ///< half-width of the maker's promise at that level
  std::optional<Promise> promise;
};

struct Calibration {
  Correction correction;  ///< `made` and `until` are the caller's to set
  std::vector<CalibrationPoint> points;
  double chi_squared = 0.0, freedom = 0.0;  ///< of the fit, the levels' own uncertainties counted alone
  bool bent = false;                        ///< the square earned its place
  std::optional<Promise> promise;           ///< of all points: broken where one is, kept where all are
};

/// ErrorKind::input where there are fewer than two levels, or they lie too near each other to tell gain from offset.
[[nodiscard]] Result<Calibration> calibrate(std::span<const CalibrationLevel> levels, const ReferenceTrust& reference,
                                            const std::optional<Accuracy>& promise);

}  // namespace nightwatt
