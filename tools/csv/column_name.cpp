#include "csv/column_name.hpp"

#include <algorithm>
#include <array>
#include <initializer_list>

namespace nightwatt::csv {
namespace {

using Words = std::vector<std::string>;

bool is_word_letter(unsigned char c) {
  return c >= 0x80 || (c >= '0' && c <= '9') || (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
}

/// The words of a name; one in letters of two kinds is divided where they change: `activePower`.
Words words_of(std::string_view name) {
  Words words;
  bool inside = false;
  char before = '\0';
  for (const char c : name) {
    const bool letter = is_word_letter(static_cast<unsigned char>(c));
    const bool hump = c >= 'A' && c <= 'Z' && before >= 'a' && before <= 'z' && words.back().size() > 1;
    if (letter && (!inside || hump)) words.emplace_back();
    inside = letter;
    if (letter) words.back() += c;
    before = c;
  }
  return words;
}

std::string lower(std::string text) {
  for (char& c : text)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  return text;
}

bool is_any(const std::string& word, std::initializer_list<std::string_view> of) {
  return std::find(of.begin(), of.end(), word) != of.end();
}

/// Of nine words that name power in the languages such programs speak, and its letters.
bool names_power(const std::string& word) {
  return is_any(word, {"power", "pwr", "p", "leistung", "wirkleistung", "puissance", "potencia", "potenza", "vermogen",
                       "effekt", "load", "consumption"});
}
/// What stands beside the power and is none, or not the mean of its time.
bool spoils_power(const std::string& word) {
  return is_any(word, {"factor",
                       "pf",
                       "apparent",
                       "reactive",
                       "va",
                       "var",
                       "kva",
                       "kvar",
                       "max",
                       "maximum",
                       "min",
                       "minimum",
                       "peak",
                       "limit",
                       "set",
                       "setpoint",
                       "scheinleistung",
                       "blindleistung",
                       "energy",
                       "wh",
                       "kwh",
                       "mwh",
                       "energie",
                       "std",
                       "stddev",
                       "dbm",
                       "state",
                       "status",
                       "supply",
                       "cos",
                       "phi",
                       "count"});
}
bool names_time(const std::string& word) {
  return is_any(word, {"time",      "timestamp", "datetime",   "ts",    "epoch",   "zeit",   "zeitstempel", "uhrzeit",
                       "zeitpunkt", "heure",     "horodatage", "temps", "hora",    "tiempo", "ora",         "tempo",
                       "tijd",      "tid",       "czas",       "clock", "elapsed", "t",      "unixtime"});
}
bool names_date(const std::string& word) {
  return is_any(word, {"date", "datum", "fecha", "data", "dato", "day"});
}
bool spoils_time(const std::string& word) {
  return is_any(word, {"zone", "timezone", "tz", "uptime", "runtime", "duration", "delta", "interval", "dt", "temp",
                       "temperature", "on", "off", "to", "remaining", "transfer"});
}

struct Unit {
  Quantity quantity;
  Decimal scale;
};
/// Units in the letters they are written with; `mW` and `MW` differ.
std::optional<Unit> unit_of(const std::string& word) {
  struct Base {
    std::string_view text;
    Quantity quantity;
  };
  constexpr std::array<Base, 5> bases = {Base{"wh", Quantity::energy}, Base{"w", Quantity::power},
                                         Base{"v", Quantity::voltage}, Base{"a", Quantity::current},
                                         Base{"hz", Quantity::frequency}};
  const std::string letters = lower(word);
  if (is_any(letters, {"watt", "watts"})) return Unit{Quantity::power, {1, 0}};
  if (is_any(letters, {"milliwatt", "milliwatts"})) return Unit{Quantity::power, {1, -3}};
  if (is_any(letters, {"kilowatt", "kilowatts"})) return Unit{Quantity::power, {1, 3}};
  if (is_any(letters, {"volt", "volts"})) return Unit{Quantity::voltage, {1, 0}};
  if (is_any(letters, {"amp", "amps", "ampere"})) return Unit{Quantity::current, {1, 0}};
  for (const Base& base : bases) {
    if (letters == base.text) return Unit{base.quantity, {1, 0}};
    if (letters.size() != base.text.size() + 1 || letters.substr(1) != base.text) continue;
    if (word[0] == 'm') return Unit{base.quantity, {1, -3}};
    if (letters[0] == 'k') return Unit{base.quantity, {1, 3}};
  }
  return std::nullopt;
}

/// `MW`, `uW`: of power, and of none that a plug is measured in; `MW` is `mW` as often as not.
std::string odd_unit_of(const std::string& word) {
  const bool watts = word.size() > 1 && (word.back() == 'W' || word.back() == 'w');
  const std::string before = watts ? word.substr(0, word.size() - 1) : std::string();
  return is_any(before, {"M", "G", "T", "u", "n", "\xC2\xB5", "\xCE\xBC"}) ? word : std::string();
}

std::optional<double> time_unit_of(const std::string& word) {
  if (is_any(word, {"s", "sec", "secs", "second", "seconds"})) return 1e6;
  if (is_any(word, {"ms", "msec", "millis", "millisecond", "milliseconds"})) return 1e3;
  if (is_any(word, {"us", "\xC2\xB5s", "\xCE\xBCs", "usec", "micros", "microsecond", "microseconds"})) return 1.0;
  if (is_any(word, {"ns", "nanoseconds"})) return 1e-3;
  if (is_any(word, {"min", "mins", "minutes"})) return 60e6;
  if (is_any(word, {"h", "hour", "hours"})) return 3'600e6;
  return std::nullopt;
}

template <class Is>
bool any_of(const Words& words, Is is) {
  return std::any_of(words.begin(), words.end(), is);
}

std::optional<ColumnMeaning> time_meaning(const Words& words) {
  if (any_of(words, spoils_time)) return std::nullopt;
  ColumnMeaning meaning;
  meaning.is_utc = any_of(words, [](const std::string& word) { return is_any(word, {"utc", "gmt", "zulu"}); });
  meaning.is_elapsed = any_of(words, [](const std::string& word) { return is_any(word, {"elapsed", "relative"}); });
  if (words.size() == 1 && time_unit_of(words[0])) {
    meaning.role = ColumnRole::time;
    meaning.us_per_unit = time_unit_of(words[0]);
    return meaning;
  }
  if (any_of(words, names_time))
    meaning.role = ColumnRole::time;
  else if (any_of(words, names_date))
    meaning.role = ColumnRole::date;
  else
    return std::nullopt;
  for (const std::string& word : words)
    if (const auto unit = time_unit_of(word); unit && words.size() > 1) meaning.us_per_unit = unit;
  return meaning;
}

std::optional<Quantity> other_quantity(const Words& words) {
  const auto has = [&](std::initializer_list<std::string_view> of) {
    return any_of(words, [&](const std::string& word) { return is_any(word, of); });
  };
  if (has({"pf", "cos", "cosphi", "powerfactor"}) || (has({"power"}) && has({"factor"}))) return Quantity::power_factor;
  if (has({"energy", "e"})) return Quantity::energy;
  if (has({"voltage", "volt", "volts", "u", "vrms", "urms"})) return Quantity::voltage;
  if (has({"current", "i", "irms", "amp", "amps"})) return Quantity::current;
  if (has({"frequency", "freq", "f"})) return Quantity::frequency;
  return std::nullopt;
}

}  // namespace

ColumnMeaning meaning_of_column(std::string_view name) {
  const Words as_written = words_of(name);
  Words words = as_written;
  for (std::string& word : words) word = lower(word);
  ColumnMeaning meaning;
  if (words.empty()) return meaning;
  meaning.odd_unit = odd_unit_of(as_written.back());
  std::optional<Unit> unit = unit_of(as_written.back());
  if (!unit && words.size() > 1 && names_power(words.back())) unit = unit_of(as_written.front());
  const bool is_power =
      any_of(words, names_power) || (unit && unit->quantity == Quantity::power) || !meaning.odd_unit.empty();
  if (is_power && !any_of(words, spoils_power)) {
    if (unit && unit->quantity != Quantity::power) return meaning;
    meaning.role = ColumnRole::quantity;
    if (unit) meaning.scale = unit->scale;
    return meaning;
  }
  if (const auto quantity = other_quantity(words);
      quantity && !any_of(words, [](const std::string& word) {
        return is_any(word, {"max", "min", "export", "reactive", "apparent"});
      })) {
    meaning.role = ColumnRole::quantity;
    meaning.quantity = *quantity;
    if (unit && unit->quantity == *quantity) meaning.scale = unit->scale;
    return meaning;
  }
  if (unit && words.size() == 1) {
    meaning.role = ColumnRole::quantity;
    meaning.quantity = unit->quantity;
    meaning.scale = unit->scale;
    return meaning;
  }
  return time_meaning(words).value_or(meaning);
}

}  // namespace nightwatt::csv
