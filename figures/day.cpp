#include "figures/day.hpp"

#include <charconv>
#include <cmath>

#include "text/printable.hpp"

namespace nightwatt::figures {
namespace {

constexpr double hours_a_day = 24.0;

std::optional<double> number_of(std::string_view text) {
  double value = 0.0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc() || end != text.data() + text.size() || !std::isfinite(value) || value < 0.0)
    return std::nullopt;
  return value;
}

tl::unexpected<Error> wrong_day(std::string_view text) {
  return fail(ErrorKind::input, "--day is " + text::quoted(std::string(text)) +
                                    "; give hours of a day in idle, load and standby, such as idle=20h,load=4h");
}

std::string_view trimmed(std::string_view text) {
  while (!text.empty() && text.front() == ' ') text.remove_prefix(1);
  while (!text.empty() && text.back() == ' ') text.remove_suffix(1);
  return text;
}

/// `100Ah` of `unit` Ah.
std::optional<double> amount_of(std::string_view text, std::string_view unit) {
  text = trimmed(text);
  if (text.size() <= unit.size() || text.substr(text.size() - unit.size()) != unit) return std::nullopt;
  return number_of(trimmed(text.substr(0, text.size() - unit.size())));
}

}  // namespace

Result<Day> day_from(std::string_view text) {
  Day day;
  std::vector<std::string_view> seen;
  for (std::string_view rest = text; !rest.empty();) {
    const std::size_t comma = std::min(rest.find(','), rest.size());
    const std::string_view part = rest.substr(0, comma);
    rest.remove_prefix(std::min(rest.size(), comma + 1));
    const std::size_t equals = part.find('=');
    if (equals == std::string_view::npos) return wrong_day(text);
    const std::string_view name = trimmed(part.substr(0, equals));
    std::string_view hours = trimmed(part.substr(equals + 1));
    if (!hours.empty() && hours.back() == 'h') hours.remove_suffix(1);
    const std::optional<double> value = number_of(hours);
    double* into = name == "idle"      ? &day.idle_h
                   : name == "load"    ? &day.load_h
                   : name == "standby" ? &day.standby_h
                                       : nullptr;
    for (const std::string_view other : seen)
      if (other == name) into = nullptr;
    if (!value || into == nullptr) return wrong_day(text);
    seen.push_back(name);
    *into = *value;
  }
  const double all_h = day.idle_h + day.load_h + day.standby_h;
  if (!(all_h > 0.0)) return wrong_day(text);
  if (all_h > hours_a_day + 1e-9)
    return fail(ErrorKind::input, "--day adds up to more than 24 hours; give hours of one day");
  return day;
}

Result<double> battery_from(std::string_view text) {
  if (const auto energy = amount_of(text, "Wh"); energy && *energy > 0.0) return *energy;
  const std::size_t unit = text.find("Ah");
  if (unit != std::string_view::npos) {
    const auto charge = amount_of(text.substr(0, unit + 2), "Ah");
    const auto voltage = amount_of(text.substr(unit + 2), "V");
    if (charge && voltage && *charge > 0.0 && *voltage > 0.0) return *charge * *voltage;
  }
  return fail(ErrorKind::input, "--battery is " + text::quoted(std::string(text)) +
                                    "; give what its label says, such as \"100Ah 12V\" or 1200Wh");
}

DayFigures day_of(const DeviceRow& row, const DayRequest& request) {
  DayFigures figures;
  std::vector<StateHours> hours;
  bool missing = false;
  double finest_wh = 0.0;
  const auto add = [&](const std::optional<Figure>& power, double of_day_h) {
    if (of_day_h <= 0.0) return;
    missing = missing || !power || !std::isfinite(power->uncertainty);
    if (!power) return;
    hours.push_back({*power, of_day_h});
    finest_wh += power->finest * of_day_h;
  };
  add(row.baseline ? row.baseline : row.idle, request.day.idle_h);
  add(row.sustained ? row.sustained : row.load, request.day.load_h);
  add(row.standby, request.day.standby_h);
  if (missing || hours.empty()) return figures;
  const auto energy = yearly_energy_kwh(hours);  // of one day: the hours are a day's
  if (!energy) return figures;
  figures.energy_wh = Figure{energy->value * 1000.0, energy->uncertainty * 1000.0, {}, finest_wh};
  if (request.tariff) {
    const double days = hours_a_year / hours_a_day;
    const double each_kwh = days * *request.tariff;
    figures.cost_a_year =
        Figure{energy->value * each_kwh, energy->uncertainty * each_kwh, {}, finest_wh / 1000.0 * each_kwh};
  }
  if (request.battery_wh && figures.energy_wh->value > 0.0) {
    const BatteryNeed usual;
    const auto lasts = battery_hours(*request.battery_wh, usual.depth_of_discharge, usual.efficiency,
                                     figures.energy_wh->value / hours_a_day);
    if (lasts) figures.lasts_h = *lasts;
  }
  return figures;
}

}  // namespace nightwatt::figures
