#include "measure/run/estimate.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>

#include "context.hpp"
#include "figures/device_table.hpp"
#include "text/printable.hpp"
#include "text/width.hpp"

namespace nightwatt::query {
namespace {

constexpr double days_a_year = hours_a_year / 24.0;
constexpr std::size_t currency_limit = 16;  // a name or a sign
/// Of a supply over the highest reading seen (common practice, no source).
constexpr double supply_margin = 1.25;
/// Beyond these a number was mistyped (common practice, no source).
constexpr double coldest_battery_c = -40.0;
constexpr double hottest_battery_c = 60.0;
/// Taken where --ageing is not given: replaced at four fifths of its capacity (common practice, no source).
constexpr double usual_ageing = 0.2;

constexpr std::array cautions = {
    "local codes and licensed people come first: fixed wiring and anything inside mains equipment is theirs alone",
    "batteries start fires: a fuse close to the cells, the charger that belongs to them, air; large banks are for a "
    "professional",
    "readings miss the inrush at switching on, which may be many times the highest reading"};

struct Adapter {
  enum class Kind : std::uint8_t { none, efficiency, internal, external };
  Kind kind = Kind::none;
  double efficiency = 1.0;
  SupplyGrade grade = SupplyGrade::basic;
  double rated_w = 0.0;
  bool low_voltage = false;
};

struct Request {
  std::optional<double> idle_h, load_h, standby_h, off_h;  ///< a day
  std::optional<ModeShares> shares;
  std::optional<double> off_w, sleep_w, long_idle_w;
  std::optional<double> tariff, emissions_g;
  std::string currency;
  std::optional<double> autonomy_days;
  BatteryNeed battery;
  Adapter adapter;
};

/// A state of the year and the power in it.
struct State {
  std::string name;
  Figure power_w;
  double hours = 0.0;  ///< a year
};

struct Estimate {
  std::string device;
  std::vector<State> states;
  std::optional<Figure> energy_kwh, cost, emissions_kg;
  std::optional<double> mean_w, device_w, peak_w, supply_w;
  std::optional<double> supply_device_w;  ///< behind a known efficiency: what the supply itself must give
  bool device_lower_bound = false, device_extrapolated = false;
  std::optional<BatterySize> battery, battery_least;
  std::vector<std::string> warnings;
  std::string missing;  ///< why there is no energy
};

Result<ModeShares> duty_from(const std::string& word) {
  const std::size_t colon = word.find(':');
  const std::string form = word.substr(0, colon);
  const std::string ability = colon == std::string::npos ? "conventional" : word.substr(colon + 1);
  constexpr std::array<std::string_view, 5> abilities = {"conventional", "base", "remote-wake", "service-discovery",
                                                         "full"};
  const auto at = std::find(abilities.begin(), abilities.end(), ability);
  if ((form != "desktop" && form != "notebook") || at == abilities.end())
    return fail(ErrorKind::input, "--duty is " + text::quoted(word) +
                                      "; give desktop or notebook, then if you like :conventional, :base, "
                                      ":remote-wake, :service-discovery or :full");
  return published_shares(form == "desktop" ? ComputerForm::desktop : ComputerForm::notebook,
                          static_cast<NetworkAbility>(at - abilities.begin()));
}

Result<Adapter> adapter_from(const EstimateArguments& arguments) {
  Adapter adapter;
  if (arguments.adapter_efficiency && arguments.adapter_curve)
    return fail(ErrorKind::input, "give --adapter-efficiency or --adapter-curve, not both");
  if (arguments.adapter_efficiency) {
    const auto share = share_from("--adapter-efficiency", *arguments.adapter_efficiency);
    if (!share) return tl::unexpected(share.error());
    adapter.kind = Adapter::Kind::efficiency;
    adapter.efficiency = *share;
  }
  if (!arguments.adapter_curve) return adapter;
  const std::string& word = *arguments.adapter_curve;
  const std::size_t colon = word.find(':');
  const std::string name = word.substr(0, colon);
  const auto grade = supply_grade(name);
  adapter.low_voltage = name == "external-low";
  if (colon == std::string::npos || !(grade || name == "external" || adapter.low_voltage))
    return fail(ErrorKind::input, "--adapter-curve is " + text::quoted(word) +
                                      "; give external:WATTS, external-low:WATTS (below 6 V), or basic, bronze, "
                                      "silver, gold, platinum or titanium:WATTS, with the watts of the nameplate");
  const auto rated = positive_from("--adapter-curve", word.substr(colon + 1));
  if (!rated) return tl::unexpected(rated.error());
  adapter.kind = grade ? Adapter::Kind::internal : Adapter::Kind::external;
  if (grade) adapter.grade = *grade;
  adapter.rated_w = *rated;
  return adapter;
}

/// Reads numbers one after the other and keeps the first error.
class Reader {
 public:
  using From = Result<std::optional<double>> (*)(std::string_view, const MaybeWord&);
  std::optional<double> operator()(From from, std::string_view option, const MaybeWord& word) {
    const auto value = from(option, word);
    if (value) return *value;
    if (!error_) error_ = value.error();
    return std::nullopt;
  }
  [[nodiscard]] const std::optional<Error>& error() const { return error_; }

 private:
  std::optional<Error> error_;
};

Result<void> check_hours(const Request& r, const EstimateArguments& arguments) {
  double hours = 0.0;
  for (const auto& each : {r.idle_h, r.load_h, r.standby_h, r.off_h}) hours += each.value_or(0.0);
  if (hours > 24.0 + 1e-9)
    return fail(ErrorKind::input, "the hours add up to more than a day has; give hours of a day");
  const bool any = r.idle_h || r.load_h || r.standby_h || r.off_h;
  if (any && hours <= 0.0) return fail(ErrorKind::input, "all hours are 0; give the hours of a day in each state");
  if (any && arguments.duty) return fail(ErrorKind::input, "give hours of a day or --duty, not both");
  const bool battery_words = arguments.dod || arguments.battery_efficiency || arguments.ageing ||
                             arguments.temperature_factor || arguments.battery_c || arguments.battery_v;
  if (battery_words && !arguments.autonomy_days)
    return fail(ErrorKind::input, "a battery is sized for --autonomy-days; give them too");
  if (arguments.temperature_factor && arguments.battery_c)
    return fail(ErrorKind::input, "give --temperature-factor or --battery-c, not both");
  return {};
}

Result<Request> request_from(const EstimateArguments& a) {
  Request r;
  Reader read;
  r.idle_h = read(maybe_not_negative, "--idle-h", a.idle_h);
  r.load_h = read(maybe_not_negative, "--load-h", a.load_h);
  r.standby_h = read(maybe_not_negative, "--standby-h", a.standby_h);
  r.off_h = read(maybe_not_negative, "--off-h", a.off_h);
  r.off_w = read(maybe_not_negative, "--off-w", a.off_w);
  r.sleep_w = read(maybe_not_negative, "--sleep-w", a.sleep_w);
  r.long_idle_w = read(maybe_not_negative, "--long-idle-w", a.long_idle_w);
  r.tariff = read(maybe_not_negative, "--tariff", a.tariff);
  r.emissions_g = read(maybe_not_negative, "--emissions", a.emissions);
  r.autonomy_days = read(maybe_positive, "--autonomy-days", a.autonomy_days);
  BatteryNeed& b = r.battery;
  b.depth_of_discharge = read(maybe_share, "--dod", a.dod).value_or(b.depth_of_discharge);
  b.efficiency = read(maybe_share, "--battery-efficiency", a.battery_efficiency).value_or(b.efficiency);
  b.ageing = read(maybe_not_negative, "--ageing", a.ageing).value_or(usual_ageing);
  b.temperature_factor = read(maybe_positive, "--temperature-factor", a.temperature_factor).value_or(1.0);
  b.voltage_v = read(maybe_positive, "--battery-v", a.battery_v).value_or(0.0);
  if (read.error()) return tl::unexpected(*read.error());
  if (b.ageing >= 1.0) return fail(ErrorKind::input, "--ageing must be a share below 1, such as 0.2");
  if (b.temperature_factor < 1.0)
    return fail(ErrorKind::input, "--temperature-factor must be 1 or more: cold makes a battery smaller");
  if (a.battery_c) {
    const auto celsius = number_from("--battery-c", *a.battery_c);
    if (!celsius) return tl::unexpected(celsius.error());
    if (!(*celsius >= coldest_battery_c && *celsius <= hottest_battery_c))
      return fail(ErrorKind::input, "--battery-c must be between -40 and 60: no battery is meant for more");
    b.temperature_factor = temperature_factor(*celsius);
  }
  if (auto checked = check_hours(r, a); !checked) return tl::unexpected(checked.error());
  if (a.duty) {
    const auto shares = duty_from(*a.duty);
    if (!shares) return tl::unexpected(shares.error());
    r.shares = *shares;
  }
  if (a.currency) {
    if (auto checked = text::check_text("--currency", *a.currency, currency_limit); !checked)
      return tl::unexpected(checked.error());
    r.currency = *a.currency;
  }
  const auto adapter = adapter_from(a);
  if (!adapter) return tl::unexpected(adapter.error());
  r.adapter = *adapter;
  return r;
}

/// What a device draws in each state.
struct Powers {
  std::optional<Figure> idle, load, standby, off;
  std::optional<double> peak_w;
};

Result<Powers> powers_of(const storage::StoreReader& store, const DeviceRow& row, bool by_the_day) {
  Powers powers{row.idle, row.load, row.standby, std::nullopt, std::nullopt};
  // A day is long: what idling and work cost is the mean with all that the device does of itself, and what a load comes
  // down to.
  if (by_the_day && differ(row.baseline, row.idle)) powers.idle = row.baseline;
  if (by_the_day && differ(row.sustained, row.load)) powers.load = row.sustained;
  for (const storage::RunId id : row.runs) {
    const auto info = store.run(id);
    if (!info) return tl::unexpected(info.error());
    const auto record = run_record(store, *info);
    if (!record) return tl::unexpected(record.error());
    if (const auto peak = record->summary.peak_w) powers.peak_w = std::max(*peak, powers.peak_w.value_or(*peak));
    const LevelState* off = longest_state(record->summary.states, SegmentKind::off);
    // Below its threshold a meter shows nothing, whatever flows.
    if (off != nullptr && !powers.off)
      powers.off = Figure{off->level.value, std::max(off->level.uncertainty, info->traits.starting_w.value_or(0.0))};
  }
  return powers;
}

void add_state(Estimate& e, std::string name, const std::optional<Figure>& power, double hours,
               std::string_view option) {
  if (hours <= 0.0) return;
  if (!power) {
    if (e.missing.empty())
      e.missing = e.device + " has no " + name + " level" +
                  (option.empty() ? "; measure it" : "; measure it or give it with " + std::string(option));
    return;
  }
  if (!std::isfinite(power->uncertainty))
    e.warnings.push_back("the uncertainty of the " + name + " level is not known and counted as 0");
  e.states.push_back(
      {std::move(name), {power->value, std::isfinite(power->uncertainty) ? power->uncertainty : 0.0}, hours});
}

std::optional<Figure> given(const std::optional<double>& watts) {
  return watts ? std::optional(Figure{*watts, 0.0}) : std::nullopt;
}

void add_states(Estimate& e, const Request& r, const Powers& p) {
  const auto off = r.off_w ? given(r.off_w) : p.off ? p.off : p.standby;
  if (r.shares) {
    add_state(e, "off", off, r.shares->off * hours_a_year, "--off-w");
    add_state(e, "sleep", r.sleep_w ? given(r.sleep_w) : p.standby, r.shares->sleep * hours_a_year, "--sleep-w");
    add_state(e, "long idle", r.long_idle_w ? given(r.long_idle_w) : p.idle, r.shares->long_idle * hours_a_year,
              "--long-idle-w");
    add_state(e, "short idle", p.idle, r.shares->short_idle * hours_a_year, "");
    if (!r.long_idle_w && p.idle)
      e.warnings.emplace_back("long idle is taken as idle, display on: at most that; --long-idle-w says better");
    if (!r.sleep_w && p.standby)
      e.warnings.emplace_back("sleep is taken as the run's standby level; --sleep-w says better");
    return;
  }
  if (!(r.idle_h || r.load_h || r.standby_h || r.off_h)) {
    add_state(e, "idle", p.idle, hours_a_year, "");
    e.warnings.emplace_back("no hours and no --duty given: idle all day, all year");
    return;
  }
  add_state(e, "idle", p.idle, r.idle_h.value_or(0.0) * days_a_year, "");
  add_state(e, "load", p.load, r.load_h.value_or(0.0) * days_a_year, "");
  add_state(e, "standby", p.standby, r.standby_h.value_or(0.0) * days_a_year, "");
  add_state(e, "off", off, r.off_h.value_or(0.0) * days_a_year, "--off-w");
  const double rest =
      24.0 - r.idle_h.value_or(0.0) - r.load_h.value_or(0.0) - r.standby_h.value_or(0.0) - r.off_h.value_or(0.0);
  if (rest > 1e-9) e.warnings.push_back("the other " + number_text(rest, "h") + " of a day count as unplugged, 0 W");
}

Result<DeviceSide> device_side(const Adapter& adapter, double wall_w) {
  switch (adapter.kind) {
    case Adapter::Kind::none:
      return DeviceSide{wall_w, false, false};
    case Adapter::Kind::efficiency:
      return behind_efficiency(wall_w, adapter.efficiency);
    case Adapter::Kind::internal:
      return behind_internal_supply(wall_w, adapter.grade, adapter.rated_w);
    case Adapter::Kind::external:
      return behind_external_supply(wall_w, adapter.rated_w, adapter.low_voltage);
  }
  return DeviceSide{wall_w, false, false};
}

/// What the device itself takes on average, and the battery for it.
Result<void> size_battery(Estimate& e, const Request& r) {
  double device_wh = 0.0, wall_wh = 0.0, wall_u_wh = 0.0;
  for (const State& state : e.states) {
    // A display may show a little less than nothing; a battery is not charged by it.
    const double wall_w = std::max(0.0, state.power_w.value);
    const auto side = device_side(r.adapter, wall_w);
    if (!side) return tl::unexpected(side.error());
    device_wh += side->power_w * state.hours;
    wall_wh += wall_w * state.hours;
    wall_u_wh += state.power_w.uncertainty * state.hours;
    e.device_lower_bound = e.device_lower_bound || side->lower_bound;
    e.device_extrapolated = e.device_extrapolated || side->extrapolated;
  }
  e.device_w = device_wh / hours_a_year;
  if (!r.autonomy_days) return {};
  BatteryNeed need = r.battery;
  need.hours = *r.autonomy_days * 24.0;
  // Sized for the upper end of the interval. Published efficiencies are minima: the device takes at least what they
  // leave, so the safe side is the wall's figure.
  const double upper = wall_wh > 0.0 ? 1.0 + wall_u_wh / wall_wh : 1.0;
  const double wall_w = wall_wh / hours_a_year;
  need.power_w = upper * (e.device_lower_bound ? wall_w : *e.device_w);
  const auto size = battery_size(need);
  if (!size) return tl::unexpected(size.error());
  e.battery = *size;
  if (!e.device_lower_bound) return {};
  need.power_w = *e.device_w;
  const auto least = battery_size(need);
  if (!least) return tl::unexpected(least.error());
  e.battery_least = *least;
  return {};
}

Result<Estimate> estimate_of(const storage::StoreReader& store, const DeviceRow& row, const Request& r) {
  Estimate e;
  e.device = row.device;
  // The published shares of a year are of the idle level itself.
  const bool by_the_day = !r.shares;
  const auto powers = powers_of(store, row, by_the_day);
  if (!powers) return tl::unexpected(powers.error());
  add_states(e, r, *powers);
  if (!e.missing.empty()) {
    e.states.clear();
    return e;
  }
  std::vector<StateHours> hours;
  for (const State& state : e.states) hours.push_back({state.power_w, state.hours});
  const auto energy = yearly_energy_kwh(hours);
  if (!energy) return tl::unexpected(energy.error());
  e.energy_kwh = *energy;
  e.mean_w = energy->value * 1000.0 / hours_a_year;
  if (r.tariff) {
    const auto cost = priced(*energy, {*r.tariff, 0.0});
    if (!cost) return tl::unexpected(cost.error());
    e.cost = *cost;
  }
  if (r.emissions_g) {
    const auto emitted = priced(*energy, {*r.emissions_g / 1000.0, 0.0});
    if (!emitted) return tl::unexpected(emitted.error());
    e.emissions_kg = *emitted;
  }
  if (r.tariff || r.emissions_g) {
    const std::string of = r.tariff && r.emissions_g ? "cost and emissions" : r.tariff ? "cost" : "emissions";
    const std::string exact = r.tariff && r.emissions_g ? "tariff and factor" : r.tariff ? "tariff" : "factor";
    e.warnings.push_back("the interval of " + of + " is that of the powers alone: " + exact +
                         " and hours are taken as exact");
  }
  if (by_the_day && differ(row.baseline, row.idle))
    e.warnings.emplace_back("idle is taken with what the device does of itself meanwhile (baseline)");
  if (by_the_day && differ(row.sustained, row.load))
    e.warnings.emplace_back("load is taken as what long work comes down to (sustained)");
  if (!row.accuracy)
    e.warnings.emplace_back("the meter's accuracy is not known: its own error is not in the intervals");
  if (auto sized = size_battery(e, r); !sized) return tl::unexpected(sized.error());
  e.peak_w = powers->peak_w;
  if (e.peak_w) e.supply_w = supply_margin * *e.peak_w;
  // Published efficiencies are minima and no upper bound of what the device takes: the wall's figure stays.
  if (e.peak_w && r.adapter.kind == Adapter::Kind::efficiency)
    e.supply_device_w = supply_margin * *e.peak_w * r.adapter.efficiency;
  if (e.device_lower_bound)
    e.warnings.emplace_back(
        "published efficiencies are minima: the device takes at least this; the battery is sized for the wall's "
        "figure");
  if (e.device_extrapolated)
    e.warnings.emplace_back("extrapolated: nothing is published for so light or so heavy a load of the supply");
  return e;
}

void write_json(Context& context, const std::vector<Estimate>& all, const Request& r) {
  JsonWriter json(context.out);
  const auto figure = [&](const std::string& name, const std::optional<Figure>& of) {
    json.key(name);
    of ? json.value(of->value) : json.null();
    json.key(name + "_uncertainty");
    of ? json.value(of->uncertainty) : json.null();
  };
  json.begin_document().key("cautions").begin_array();
  for (const char* caution : cautions) json.value(caution);
  json.end_array().field("hours_a_year", hours_a_year).key("devices").begin_array();
  for (const Estimate& e : all) {
    json.line_break().begin_object().field("device", e.device);
    figure("energy_kwh", e.energy_kwh);
    figure("cost", e.cost);
    json.key("currency");
    r.currency.empty() ? json.null() : json.value(r.currency);
    figure("emissions_kg", e.emissions_kg);
    json.field("mean_w", e.mean_w).field("device_w", e.device_w);
    json.field("device_lower_bound", e.device_lower_bound).field("extrapolated", e.device_extrapolated);
    json.field("peak_w", e.peak_w).field("supply_w", e.supply_w).field("supply_device_w", e.supply_device_w);
    json.key("battery_wh");
    e.battery ? json.value(e.battery->energy_wh) : json.null();
    json.key("battery_ah");
    e.battery ? json.value(e.battery->charge_ah) : json.null();
    json.key("battery_least_wh");
    e.battery_least ? json.value(e.battery_least->energy_wh) : json.null();
    json.key("states").begin_array();
    for (const State& s : e.states)
      json.begin_object()
          .field("state", s.name)
          .field("power_w", s.power_w.value)
          .field("uncertainty_w", s.power_w.uncertainty)
          .field("hours", s.hours)
          .end_object();
    json.end_array().key("warnings").begin_array();
    if (!e.missing.empty()) json.value(e.missing);
    for (const std::string& warning : e.warnings) json.value(warning);
    json.end_array().end_object();
  }
  json.end_array().end_object();
  context.out.write("\n");
}

void line(Context& context, std::string_view name, const std::string& what) {
  if (!what.empty()) context.out.write("  " + text::pad_right(name, 12) + what + "\n");
}

void write_people(Context& context, const Estimate& e, const Request& r) {
  context.out.write(toned(context.style, Tone::strong, text::printable(e.device)) + "\n");
  for (const State& s : e.states)
    line(context, s.name, figure_or_nothing(s.power_w, "W") + " for " + number_text(s.hours, "h a year"));
  line(context, "energy", figure_or_nothing(e.energy_kwh, "kWh a year"));
  line(context, "cost",
       figure_or_nothing(e.cost, text::printable(r.currency) + (r.currency.empty() ? "a year" : " a year")));
  line(context, "emissions", figure_or_nothing(e.emissions_kg, "kg a year"));
  line(context, "mean", number_or_nothing(e.mean_w, "W at the wall"));
  if (r.adapter.kind != Adapter::Kind::none && e.device_w)
    line(context, "device",
         std::string(e.device_lower_bound ? "at least " : "") + number_text(*e.device_w, "W behind its supply") +
             (e.device_extrapolated ? " (extrapolated)" : ""));
  if (e.battery) {
    std::string size = number_text(e.battery->energy_wh, "Wh");
    if (e.battery->charge_ah) size += ", " + number_text(*e.battery->charge_ah, "Ah");
    if (e.battery_least)
      size += "; with the published efficiency at least " + number_text(e.battery_least->energy_wh, "Wh");
    line(context, "battery", size);
    const BatteryNeed& b = r.battery;
    line(context, "",
         "for " + number_text(*r.autonomy_days, "days") + ", depth of discharge " +
             number_text(b.depth_of_discharge, "") + ", efficiency " + number_text(b.efficiency, "") + ", ageing " +
             number_text(b.ageing, "") + ", cold " + number_text(b.temperature_factor, ""));
  }
  if (e.supply_w)
    line(context, "supply",
         number_text(*e.supply_w, "W at the wall") + ": the highest reading, " + number_text(*e.peak_w, "W") +
             ", and a quarter (common practice, no source)");
  if (e.supply_device_w) line(context, "", number_text(*e.supply_device_w, "W at the device"));
  std::vector<std::string> warnings = e.warnings;
  if (!e.missing.empty()) warnings.insert(warnings.begin(), e.missing);
  for (const std::string& warning : warnings)
    context.out.write("  " + toned(context.style, Tone::yellow, "warning:") + " " + text::printable(warning) + "\n");
}

}  // namespace

Outcome run(Context& context, const EstimateArguments& arguments) {
  const auto request = request_from(arguments);
  if (!request) return tl::unexpected(request.error());
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  std::vector<storage::RunInfo> infos;
  for (const std::string& word : arguments.runs) {
    auto run = find_run(*store, word);
    if (!run) return tl::unexpected(run.error());
    if (std::none_of(infos.begin(), infos.end(), [&](const auto& info) { return info.id == run->id; }))
      infos.push_back(std::move(*run));
  }
  const auto rows = rows_of(*store, infos);
  if (!rows) return tl::unexpected(rows.error());
  std::vector<Estimate> all;
  for (const DeviceRow& row : *rows) {
    auto one = estimate_of(*store, row, *request);
    if (!one) return tl::unexpected(one.error());
    all.push_back(std::move(*one));
  }
  if (std::all_of(all.begin(), all.end(), [](const Estimate& e) { return !e.missing.empty(); }))
    return fail(ErrorKind::negative, text::printable(all.front().missing));
  if (context.json) {
    write_json(context, all, *request);
    return 0;
  }
  for (const char* caution : cautions)
    context.out.write(toned(context.style, Tone::yellow, "caution:") + " " + caution + "\n");
  for (const Estimate& e : all) write_people(context, e, *request);
  return 0;
}

}  // namespace nightwatt::query
