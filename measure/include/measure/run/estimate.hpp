// From watts to a year: energy, cost, emissions, the published duty weightings, batteries and power supplies.
#pragma once

#include <array>
#include <optional>
#include <span>
#include <string>
#include <string_view>

#include "measure/run/summary.hpp"
#include "measure/signal/result.hpp"

namespace nightwatt {

/// A common year. (With leap years it is 8766 h on average, 0.07 % more.)
inline constexpr double hours_a_year = 8760.0;

/// Powers of a computer's modes; uncertainties may be 0.
struct ModePowers {
  Figure off, sleep, long_idle, short_idle;
};
/// Shares of the year; they add up to 1.
struct ModeShares {
  double off = 0.0, sleep = 0.0, long_idle = 0.0, short_idle = 0.0;
};
enum class ComputerForm : std::uint8_t { desktop, notebook };
enum class NetworkAbility : std::uint8_t { conventional, base, remote_wake, service_discovery, full };
/// Weightings of Commission Decision (EU) 2015/1402, tables 3 and 4.
[[nodiscard]] ModeShares published_shares(ComputerForm form, NetworkAbility ability);
/// E_TEC in kWh a year (the same decision, equation 1), with the interval of the powers, taken as fully correlated:
/// they come from one meter.
[[nodiscard]] Result<Figure> typical_consumption_kwh(const ModePowers& powers, const ModeShares& shares);
/// The older form of three modes: off, sleep, idle.
[[nodiscard]] Result<Figure> typical_consumption_kwh(const Figure& off, const Figure& sleep, const Figure& idle,
                                                     double off_share, double sleep_share, double idle_share);

/// Hours of a day or of a year in a state, with the power in it.
struct StateHours {
  Figure power_w;
  double hours_a_year = 0.0;
};
/// Sum over states; hours must not be negative, not numbers or more than a year in all. kWh.
[[nodiscard]] Result<Figure> yearly_energy_kwh(std::span<const StateHours> states);

struct Price {
  double per_kwh = 0.0;
  double relative_uncertainty = 0.0;  ///< expanded, as a share
};
/// Energy times a price or an emission factor: relative uncertainties add as squares.
[[nodiscard]] Result<Figure> priced(const Figure& energy_kwh, const Price& price);

/// What the device itself takes behind its supply.
struct DeviceSide {
  double power_w = 0.0;
  bool lower_bound = false;   ///< the published efficiencies are minima: the device takes at least this
  bool extrapolated = false;  ///< below the lightest load for which anything is published
};

enum class SupplyGrade : std::uint8_t { basic, bronze, silver, gold, platinum, titanium };
[[nodiscard]] std::optional<SupplyGrade> supply_grade(std::string_view name);
/// Least efficiency of an internal 115 V supply of a grade at a share of its rated output; straight lines between the
/// published loads, the lightest one's value below it.
struct Efficiency {
  double value = 0.0;
  bool extrapolated = false;
};
[[nodiscard]] Efficiency internal_supply_efficiency(SupplyGrade grade, double load_share);
/// Least average efficiency of an external supply by its nameplate (level VI, also EU 2019/1782 annex II), single
/// output.
[[nodiscard]] Result<double> external_supply_efficiency(double nameplate_w, bool low_voltage);

/// Behind a supply of a known efficiency in (0, 1].
[[nodiscard]] Result<DeviceSide> behind_efficiency(double wall_w, double efficiency);
/// Behind an internal supply of a grade and rated output: solved for the load it makes.
[[nodiscard]] Result<DeviceSide> behind_internal_supply(double wall_w, SupplyGrade grade, double rated_w);
/// Behind an external supply of a nameplate, from its least average efficiency, published for a quarter load and more.
[[nodiscard]] Result<DeviceSide> behind_external_supply(double wall_w, double nameplate_w, bool low_voltage);

struct BatteryNeed {
  double power_w = 0.0;  ///< what the battery's side feeds: the device's own power, or the wall's with an inverter
  double hours = 0.0;    ///< of autonomy
  double depth_of_discharge = 0.5;  ///< (0, 1]; lead-acid 0.5, lithium 0.8 to 0.9 (common practice, no source)
  double efficiency = 0.9;          ///< of converter or inverter, (0, 1]
  double temperature_factor = 1.0;  ///< >= 1, see temperature_factor()
  double ageing = 0.0;     ///< share of capacity lost before it is replaced, [0, 1); 0.1 to 0.25 common practice
  double voltage_v = 0.0;  ///< 0: not asked
};
struct BatterySize {
  double energy_wh = 0.0;
  std::optional<double> charge_ah;
};
[[nodiscard]] Result<BatterySize> battery_size(const BatteryNeed& need);
/// Hours a battery lasts.
[[nodiscard]] Result<double> battery_hours(double capacity_wh, double depth_of_discharge, double efficiency,
                                           double power_w);
/// By how much a lead-acid battery must be larger in the cold; between the published points straight lines, the coldest
/// one's value below it (published by a supplier for 80 to 20 F).
[[nodiscard]] double temperature_factor(double celsius);

}  // namespace nightwatt
