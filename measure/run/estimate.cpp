#include "measure/run/estimate.hpp"

#include <algorithm>
#include <cmath>

namespace nightwatt {

namespace {

bool is_power(double value) {
  return std::isfinite(value) && value >= 0.0;
}
bool is_share(double value) {
  return value > 0.0 && value <= 1.0;
}

tl::unexpected<Error> refuse(std::string what) {
  return fail(ErrorKind::input, std::move(what));
}

struct Shares {
  double off, sleep, long_idle, short_idle;
};

struct Point {
  double x, y;
};

/// Straight lines between points of rising x; flat beyond the first and the last.
double interpolate(std::span<const Point> points, double x) {
  if (x <= points.front().x) return points.front().y;
  for (std::size_t i = 1; i < points.size(); ++i) {
    if (x > points[i].x) continue;
    const double share = (x - points[i - 1].x) / (points[i].x - points[i - 1].x);
    return points[i - 1].y + share * (points[i].y - points[i - 1].y);
  }
  return points.back().y;
}

}  // namespace

ModeShares published_shares(ComputerForm form, NetworkAbility ability) {
  static constexpr std::array<Shares, 5> desktop = {
      {{45, 5, 15, 35}, {40, 15, 12, 33}, {30, 28, 10, 32}, {25, 36, 8, 31}, {20, 45, 5, 30}}};
  static constexpr std::array<Shares, 5> notebook = {
      {{25, 35, 10, 30}, {25, 39, 8, 28}, {25, 41, 7, 27}, {25, 43, 6, 26}, {25, 45, 5, 25}}};
  const Shares& percent = (form == ComputerForm::desktop ? desktop : notebook)[static_cast<std::size_t>(ability)];
  return {percent.off / 100.0, percent.sleep / 100.0, percent.long_idle / 100.0, percent.short_idle / 100.0};
}

Result<Figure> typical_consumption_kwh(const ModePowers& powers, const ModeShares& shares) {
  const std::array<const Figure*, 4> figures = {&powers.off, &powers.sleep, &powers.long_idle, &powers.short_idle};
  const std::array<double, 4> parts = {shares.off, shares.sleep, shares.long_idle, shares.short_idle};
  Figure energy;
  double whole = 0.0;
  for (std::size_t i = 0; i < figures.size(); ++i) {
    if (!is_power(figures[i]->value)) return refuse("a mode's power must be a number of watts, not negative");
    if (!(parts[i] >= 0.0 && parts[i] <= 1.0)) return refuse("a mode's share of the year must lie between 0 and 1");
    whole += parts[i];
    energy.value += hours_a_year / 1000.0 * parts[i] * figures[i]->value;
    energy.uncertainty += hours_a_year / 1000.0 * parts[i] * figures[i]->uncertainty;
  }
  if (std::abs(whole - 1.0) > 1e-6) return refuse("the modes' shares of the year must add up to 1");
  return energy;
}

Result<Figure> typical_consumption_kwh(const Figure& off, const Figure& sleep, const Figure& idle, double off_share,
                                       double sleep_share, double idle_share) {
  return typical_consumption_kwh({off, sleep, Figure{}, idle}, {off_share, sleep_share, 0.0, idle_share});
}

Result<Figure> yearly_energy_kwh(std::span<const StateHours> states) {
  Figure energy;
  double hours = 0.0;
  for (const StateHours& state : states) {
    if (!std::isfinite(state.power_w.value)) return refuse("a power must be a number of watts");
    if (!is_power(state.hours_a_year)) return refuse("hours must be a number, not negative");
    hours += state.hours_a_year;
    energy.value += state.power_w.value * state.hours_a_year / 1000.0;
    energy.uncertainty += state.power_w.uncertainty * state.hours_a_year / 1000.0;
  }
  if (hours > hours_a_year + 1e-6) return refuse("the hours add up to more than a year has (8760)");
  return energy;
}

Result<Figure> priced(const Figure& energy_kwh, const Price& price) {
  if (!is_power(price.per_kwh)) return refuse("a price or emission factor must be a number, not negative");
  if (!is_power(price.relative_uncertainty)) return refuse("the uncertainty of a price must be a number, not negative");
  Figure cost{energy_kwh.value * price.per_kwh, 0.0};
  cost.uncertainty = std::hypot(energy_kwh.uncertainty * price.per_kwh, cost.value * price.relative_uncertainty);
  return cost;
}

std::optional<SupplyGrade> supply_grade(std::string_view name) {
  constexpr std::array<std::string_view, 6> names = {"basic", "bronze", "silver", "gold", "platinum", "titanium"};
  for (std::size_t i = 0; i < names.size(); ++i)
    if (names[i] == name) return static_cast<SupplyGrade>(i);
  return std::nullopt;
}

Efficiency internal_supply_efficiency(SupplyGrade grade, double load_share) {
  // 115 V internal, non-redundant: 20, 50 and 100 % of the rated output; the highest grade also 10 %.
  static constexpr std::array<std::array<double, 3>, 6> percent = {
      {{80, 80, 80}, {82, 85, 82}, {85, 88, 85}, {87, 90, 87}, {90, 92, 89}, {92, 94, 90}}};
  const std::array<double, 3>& least = percent[static_cast<std::size_t>(grade)];
  std::array<Point, 4> points = {{{0.1, 90.0}, {0.2, least[0]}, {0.5, least[1]}, {1.0, least[2]}}};
  const bool light = grade == SupplyGrade::titanium;
  const std::span<const Point> published =
      light ? std::span<const Point>(points) : std::span<const Point>(points).subspan(1);
  return {interpolate(published, load_share) / 100.0, load_share < published.front().x || load_share > 1.0};
}

Result<double> external_supply_efficiency(double nameplate_w, bool low_voltage) {
  if (!(std::isfinite(nameplate_w) && nameplate_w > 0.0)) return refuse("a supply's nameplate must be watts above 0");
  if (nameplate_w <= 1.0) return low_voltage ? 0.517 * nameplate_w + 0.087 : 0.5 * nameplate_w + 0.160;
  if (nameplate_w <= 49.0)
    return low_voltage ? 0.0834 * std::log(nameplate_w) - 0.0014 * nameplate_w + 0.609
                       : 0.071 * std::log(nameplate_w) - 0.0014 * nameplate_w + 0.67;
  if (nameplate_w <= 250.0) return low_voltage ? 0.870 : 0.880;
  return 0.875;
}

Result<DeviceSide> behind_efficiency(double wall_w, double efficiency) {
  if (!is_power(wall_w)) return refuse("the power at the wall must be watts, not negative");
  if (!is_share(efficiency)) return refuse("an efficiency must lie above 0 and not above 1");
  return DeviceSide{wall_w * efficiency, false, false};
}

Result<DeviceSide> behind_internal_supply(double wall_w, SupplyGrade grade, double rated_w) {
  if (!is_power(wall_w)) return refuse("the power at the wall must be watts, not negative");
  if (!(std::isfinite(rated_w) && rated_w > 0.0)) return refuse("a supply's rated output must be watts above 0");
  // The output that takes this from the wall: output / efficiency(output) rises with the output.
  double low = 0.0, high = wall_w;
  for (int i = 0; i < 100; ++i) {
    const double output = 0.5 * (low + high);
    (output / internal_supply_efficiency(grade, output / rated_w).value < wall_w ? low : high) = output;
  }
  return DeviceSide{high, true, internal_supply_efficiency(grade, high / rated_w).extrapolated};
}

Result<DeviceSide> behind_external_supply(double wall_w, double nameplate_w, bool low_voltage) {
  if (!is_power(wall_w)) return refuse("the power at the wall must be watts, not negative");
  const Result<double> efficiency = external_supply_efficiency(nameplate_w, low_voltage);
  if (!efficiency) return tl::unexpected(efficiency.error());
  const double power_w = wall_w * *efficiency;
  return DeviceSide{power_w, true, power_w < 0.25 * nameplate_w || power_w > nameplate_w};
}

Result<BatterySize> battery_size(const BatteryNeed& need) {
  if (!is_power(need.power_w)) return refuse("the power must be watts, not negative");
  if (!is_power(need.hours)) return refuse("the hours of autonomy must be a number, not negative");
  if (!is_share(need.depth_of_discharge)) return refuse("the depth of discharge must lie above 0 and not above 1");
  if (!is_share(need.efficiency)) return refuse("an efficiency must lie above 0 and not above 1");
  if (!(std::isfinite(need.temperature_factor) && need.temperature_factor >= 1.0))
    return refuse("the temperature factor must be 1 or more");
  if (!(need.ageing >= 0.0 && need.ageing < 1.0)) return refuse("the ageing must lie between 0 and 1");
  if (!is_power(need.voltage_v)) return refuse("the voltage must be volts, not negative");
  BatterySize size;
  size.energy_wh = need.power_w * need.hours / (need.depth_of_discharge * need.efficiency) * need.temperature_factor /
                   (1.0 - need.ageing);
  if (need.voltage_v > 0.0) size.charge_ah = size.energy_wh / need.voltage_v;
  return size;
}

Result<double> battery_hours(double capacity_wh, double depth_of_discharge, double efficiency, double power_w) {
  if (!is_power(capacity_wh)) return refuse("a battery's capacity must be watt-hours, not negative");
  if (!is_share(depth_of_discharge)) return refuse("the depth of discharge must lie above 0 and not above 1");
  if (!is_share(efficiency)) return refuse("an efficiency must lie above 0 and not above 1");
  if (!(std::isfinite(power_w) && power_w > 0.0)) return refuse("the power must be watts above 0");
  return capacity_wh * depth_of_discharge * efficiency / power_w;
}

double temperature_factor(double celsius) {
  constexpr std::array<Point, 7> fahrenheit = {
      {{20, 1.59}, {30, 1.40}, {40, 1.30}, {50, 1.19}, {60, 1.11}, {70, 1.04}, {80, 1.00}}};
  return interpolate(fahrenheit, celsius * 9.0 / 5.0 + 32.0);
}

}  // namespace nightwatt
