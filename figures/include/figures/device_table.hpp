// The table of devices: repeats pooled, ranks that know ties, differences, what was subtracted, what was plugged in.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <utility>
#include <vector>

#include "figures/figures.hpp"

namespace nightwatt::figures {

/// One row of `compare`: a device's figures, of one run or of several.
struct DeviceRow {
  std::string device;
  std::vector<storage::RunId> runs;
  std::optional<Figure> idle, load, standby, sustained, baseline;
  std::optional<double> energy_wh;
  double length_s = 0.0;  ///< of the runs that `energy_wh` is of
  bool entered = false;
  bool imported = false;                                        ///< from a file; of repeats at least one
  std::vector<std::string> includes;                            ///< sorted; of repeats all that any had
  std::vector<std::pair<std::string, std::string>> conditions;  ///< sorted by key; of repeats `a or b`
  std::optional<std::string> accuracy;  ///< what the meter promises; nothing where one of the repeats does not say
  bool may_be_cut_off = false;          ///< see rounding_warning(), of any of the repeats
  bool repeats_differ = false;          ///< the repeats had not the same plugged in, or not the same conditions
};

/// Repeats pooled: each counts alike; where they differ by more than their own chance, their spread with Student's t
/// says how sure the mean is; display and meter are the same in all and are not averaged away.
[[nodiscard]] DeviceRow pooled(std::string device, std::span<const RunRecord> records);

/// Runs of one device become one row; what was entered stays apart from what was measured, and a run without a name
/// from all others. By idle, lowest first. With `warnings`, a run whose figures cannot be had is left out and told
/// there.
[[nodiscard]] Result<std::vector<DeviceRow>> rows_of(const storage::StoreReader& store,
                                                     const std::vector<storage::RunInfo>& infos,
                                                     std::vector<std::string>* warnings = nullptr);

using RowFigure = std::optional<Figure> DeviceRow::*;

/// From the lowest place to the highest that a row may have: 1 to 1 is the lowest for sure, 2 to 3 shares two places.
struct Rank {
  int first = 0, last = 0;
};
/// nullopt where a row has no figure, or one without uncertainty.
[[nodiscard]] std::vector<std::optional<Rank>> ranks(const std::vector<DeviceRow>& rows, RowFigure figure);
/// Devices whose interval overlaps this row's.
[[nodiscard]] std::vector<std::string> tied_with(const std::vector<DeviceRow>& rows, std::size_t row, RowFigure figure);

struct Against {
  std::optional<Figure> difference_w, ratio;
};
/// The row's figure beside the other's; nothing where one is missing or its uncertainty is, no ratio where the other
/// may be 0.
[[nodiscard]] Against against(const std::optional<Figure>& row, const std::optional<Figure>& other);

/// Subtracts a figure measured alone from idle and load, with the uncertainties of both. Standby and energy are left
/// out: nobody knows what the subtracted thing drew there. Says what came out below zero.
void subtract(std::vector<DeviceRow>& rows, const Figure& less, std::vector<std::string>& warnings);

/// Names the rows whose meter's promise is not known; empty where there is none that has a figure.
[[nodiscard]] std::string unknown_accuracy_text(const std::vector<DeviceRow>& rows);

/// Energies of runs of different lengths side by side would be taken for a comparison.
[[nodiscard]] bool energies_compare(const std::vector<DeviceRow>& rows);
/// Whether the rows do not all say the same of what was plugged in, of the other conditions.
[[nodiscard]] bool includes_differ(const std::vector<DeviceRow>& rows);
[[nodiscard]] bool conditions_differ(const std::vector<DeviceRow>& rows);
/// What all rows have in common, so that it needs no column: `plugged in: adapter; battery full`. Empty where nothing.
/// Not made safe to print.
[[nodiscard]] std::string common_conditions(const std::vector<DeviceRow>& rows);

/// Says whose display may cut digits off, where that matters.
[[nodiscard]] std::optional<std::string> cut_off_warning(const std::vector<DeviceRow>& rows);
/// A warning that names, once, all in which the rows were measured under different conditions.
[[nodiscard]] std::vector<std::string> condition_warnings(const std::vector<DeviceRow>& rows);

}  // namespace nightwatt::figures
