// Which steady levels two meters, or a meter and known loads, saw together: what a calibration is made of.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "figures/figures.hpp"
#include "measure/history/calibration.hpp"

namespace nightwatt::figures {

/// A load whose power is known from elsewhere, and the run in which it was alone on the meter.
struct KnownLoad {
  double power_w = 0.0;
  double uncertainty_w = 0.0;  ///< k = 2
  std::string run;
};

struct PairedLevels {
  std::vector<CalibrationLevel> levels;       ///< by what the meter showed, lowest first
  ReferenceTrust trust;                       ///< in the reference
  std::optional<Accuracy> permissible_error;  ///< of the meter's maker
  std::vector<std::string> warnings;
};

/// Steady levels of `meter`'s runs that `reference` saw too, over the time for which both held. `runs`: of either
/// meter. ErrorKind::negative where there is none, saying what was found instead.
[[nodiscard]] Result<PairedLevels> paired_levels(const storage::StoreReader& store, const std::string& meter,
                                                 const std::string& reference, const std::vector<std::string>& runs);
/// The longest steady level of each load's run, beside what the load is known to draw.
[[nodiscard]] Result<PairedLevels> paired_levels(const storage::StoreReader& store, const std::string& meter,
                                                 const std::vector<KnownLoad>& loads);

}  // namespace nightwatt::figures
