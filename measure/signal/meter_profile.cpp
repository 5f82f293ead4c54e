#include "measure/signal/meter_profile.hpp"

#include <array>
#include <charconv>
#include <cmath>

#include "measure/signal/digits.hpp"

namespace nightwatt {

namespace {

/// Limit of the intrinsic error in a class's main current range at power factor 1, in percent. All from memory, the
/// standards could not be read: EN 50470-3 (A, B, C: Itr to Imax), IEC 62053-21 (1, 2: 0.1 Ib to Imax; 0.5 as in its
/// 2020 edition), IEC 62053-22 (0.1S, 0.2S, 0.5S: 0.05 In to Imax). The legal limit under all rated conditions of use
/// is wider (2014/32/EU Annex V table 2: 3.5, 2, 0.7 % for A, B, C at 5 to 30 degrees); below the minimum current no
/// class promises anything.
struct ClassLimit {
  std::string_view name;
  double percent;
};
constexpr std::array<ClassLimit, 9> class_limits = {{{"A", 2.0},
                                                     {"B", 1.0},
                                                     {"C", 0.5},
                                                     {"0.1S", 0.1},
                                                     {"0.2S", 0.2},
                                                     {"0.5S", 0.5},
                                                     {"0.5", 0.5},
                                                     {"1", 1.0},
                                                     {"2", 2.0}}};

constexpr std::string_view accuracy_form = "write it as \"1%\", \"1% + 0.05W\" or \"class B\"";

std::string_view trimmed(std::string_view text) {
  while (!text.empty() && (text.front() == ' ' || text.front() == '\t')) text.remove_prefix(1);
  while (!text.empty() && (text.back() == ' ' || text.back() == '\t')) text.remove_suffix(1);
  return text;
}

/// A text of ours in a message: bounded and printable.
std::string quoted(std::string_view text) {
  std::string shown = "'";
  for (const char c : text.substr(0, 40)) shown += c >= ' ' && c <= '~' ? c : '?';
  if (text.size() > 40) shown += "...";
  return shown + "'";
}

/// Takes a number off the front; nullopt if there is none or it is not finite.
std::optional<double> take_number(std::string_view& text) {
  text = trimmed(text);
  double value = 0.0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc{} || !std::isfinite(value)) return std::nullopt;
  text.remove_prefix(static_cast<std::size_t>(end - text.data()));
  text = trimmed(text);
  return value;
}

/// Beyond this a floor was mistyped: no meter of a socket is off by so much.
constexpr double highest_floor_w = 1e6;

Result<double> parse_floor(std::string_view rest, std::string_view whole) {
  const std::optional<double> floor = take_number(rest);
  if (!floor || !(rest.empty() || rest == "W"))
    return fail(ErrorKind::input, "accuracy " + quoted(whole) + " is not understood; " + std::string(accuracy_form));
  if (*floor < 0.0) return fail(ErrorKind::input, "accuracy " + quoted(whole) + ": the floor must not be negative");
  if (*floor > highest_floor_w)
    return fail(ErrorKind::input, "accuracy " + quoted(whole) + ": the floor must not be above 1000000 W");
  return *floor;
}

const ReadSpec* find_read(const std::vector<ReadSpec>& reads, Quantity quantity) {
  for (const ReadSpec& read : reads)
    if (read.quantity == quantity) return &read;
  return nullptr;
}

}  // namespace

double Accuracy::half_width(double level) const {
  return percent / 100.0 * std::abs(level) + floor;
}

Result<Accuracy> Accuracy::from_class(std::string_view meter_class) {
  for (const ClassLimit& limit : class_limits) {
    if (limit.name != meter_class) continue;
    Accuracy accuracy;
    accuracy.percent = limit.percent;
    accuracy.meter_class = std::string(meter_class);
    return accuracy;
  }
  return fail(ErrorKind::input, "accuracy class " + quoted(meter_class) +
                                    " is unknown; the classes are A, B, C, 0.1S, 0.2S, 0.5S, 0.5, 1 and 2");
}

Result<Accuracy> Accuracy::parse(std::string_view text) {
  const std::string_view whole = text;
  text = trimmed(text);
  std::string_view floor_text;
  if (const std::size_t plus = text.find('+', 1); plus != std::string_view::npos && text[plus - 1] != 'e') {
    floor_text = trimmed(text.substr(plus + 1));
    text = trimmed(text.substr(0, plus));
    if (floor_text.empty())
      return fail(ErrorKind::input, "accuracy " + quoted(whole) + " ends after '+'; " + std::string(accuracy_form));
  }
  Accuracy accuracy;
  if (text.starts_with("class")) {
    Result<Accuracy> of_class = from_class(trimmed(text.substr(5)));
    if (!of_class) return of_class;
    accuracy = std::move(*of_class);
  } else {
    const std::optional<double> percent = take_number(text);
    if (!percent || text != "%")
      return fail(ErrorKind::input, "accuracy " + quoted(whole) + " is not understood; " + std::string(accuracy_form));
    if (*percent < 0.0 || *percent > 100.0)
      return fail(ErrorKind::input, "accuracy " + quoted(whole) + ": the percentage must lie between 0 and 100");
    accuracy.percent = *percent;
  }
  if (!floor_text.empty()) {
    const Result<double> floor = parse_floor(floor_text, whole);
    if (!floor) return tl::unexpected(floor.error());
    accuracy.floor = *floor;
  }
  if (accuracy.percent == 0.0 && accuracy.floor == 0.0)
    return fail(ErrorKind::input, "accuracy " + quoted(whole) + ": no meter is exact; leave it out if it is not known");
  return accuracy;
}

std::string Accuracy::text() const {
  std::string words = meter_class.empty() ? digits_of(percent) + "%" : "class " + meter_class;
  if (floor != 0.0) words += " + " + digits_of(floor) + "W";
  return words;
}

Duration LineSettings::character_time() const {
  if (baud == 0) return Duration{0};
  const int bits = 1 + data_bits + (parity == Parity::none ? 0 : 1) + stop_bits;
  // Rounded up: a pause on the wire must not come out short.
  return Duration{(static_cast<std::int64_t>(bits) * 1'000'000 + baud - 1) / baud};
}

std::size_t register_count(RegisterType type) {
  switch (type) {
    case RegisterType::u16:
    case RegisterType::s16:
      return 1;
    case RegisterType::u32:
    case RegisterType::s32:
    case RegisterType::float32:
      return 2;
    case RegisterType::u64:
    case RegisterType::s64:
    case RegisterType::float64:
      return 4;
  }
  return 1;
}

MeterTraits MeterProfile::traits() const {
  MeterTraits traits;
  traits.starting_w = starting_w;
  traits.on_change = on_change;
  traits.gap_s = gap_s;
  if (const ReadSpec* power = find_read(reads, Quantity::power)) {
    traits.resolution_w = power->resolution;
    traits.rounding = power->rounding;
    traits.accuracy = power->accuracy;
    traits.correction = power->correction;
  }
  if (const ReadSpec* energy = find_read(reads, Quantity::energy)) {
    traits.energy_step_wh = energy->resolution;
    traits.energy_accuracy = energy->accuracy;
  }
  return traits;
}

}  // namespace nightwatt
