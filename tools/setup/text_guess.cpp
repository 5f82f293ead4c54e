#include "setup/text_guess.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <nlohmann/json.hpp>
#include <utility>

#include "csv/column_name.hpp"
#include "drivers/decoder.hpp"

namespace nightwatt::setup {
namespace {

constexpr std::size_t field_limit = 32;  // of one line; more are no meter's
constexpr double most_of = 0.6;          // lines that must agree on a form; the rest may be banners and noise

std::string_view inside_check(std::string_view line) {
  const std::size_t star = line.rfind('*');
  if (line.empty() || line[0] != '$' || star == std::string_view::npos) return line;
  return line.substr(1, star - 1);
}

bool has_check(std::string_view line) {
  const std::size_t star = line.rfind('*');
  return !line.empty() && line[0] == '$' && star != std::string_view::npos && line.size() - star - 1 == 2;
}

bool is_number_word(std::string_view word) {
  return Decimal::parse(word).has_value();
}

/// Keys before `=` or `:` that are no numbers, so that 12:30:01 is none.
std::vector<std::string> keys_of(std::string_view line) {
  std::vector<std::string> keys;
  std::size_t at = 0;
  while (at < line.size()) {
    const std::size_t end = std::min(line.find_first_of(" \t,;=:", at), line.size());
    std::size_t sign = std::min(line.find_first_not_of(" \t", end), line.size());
    const bool binds = sign < line.size() && (line[sign] == '=' || line[sign] == ':');
    if (end > at && binds && !is_number_word(line.substr(at, end - at))) keys.emplace_back(line.substr(at, end - at));
    at = std::max(end, binds ? sign : end) + 1;
  }
  return keys;
}

/// Keys in objects within are written with the way to them: "meter.power".
void add_json_keys(const nlohmann::ordered_json& object, const std::string& way, int depth,
                   std::vector<std::string>& keys) {
  constexpr int deepest = 4;  // a meter's line has one or two levels
  if (!object.is_object() || depth > deepest) return;
  for (const auto& [key, value] : object.items()) {
    if (value.is_object())
      add_json_keys(value, way + key + ".", depth + 1, keys);
    else
      keys.push_back(way + key);
  }
}

std::vector<std::string> json_keys_of(const std::string& line) {
  std::vector<std::string> keys;
  add_json_keys(nlohmann::ordered_json::parse(line, nullptr, false), "", 1, keys);
  return keys;
}

char separator_of(std::string_view line) {
  for (const char separator : {';', '\t', ','})
    if (line.find(separator) != std::string_view::npos) return separator;
  return ' ';
}

std::vector<std::string> columns_of(std::string_view line) {
  std::vector<std::string> columns;
  const char separator = separator_of(line);
  while (true) {
    line.remove_prefix(std::min(line.find_first_not_of(" \t\""), line.size()));
    const std::size_t end = std::min(line.find(separator), line.size());
    std::string_view column = line.substr(0, end);
    while (!column.empty() && (column.back() == ' ' || column.back() == '"')) column.remove_suffix(1);
    columns.emplace_back(column);
    if (end == line.size()) return columns;
    line.remove_prefix(end + 1);
  }
}

template <class Is>
bool most(std::span<const std::string> lines, Is is) {
  const auto count = std::count_if(lines.begin(), lines.end(), is);
  return !lines.empty() && static_cast<double>(count) >= most_of * static_cast<double>(lines.size());
}

TextLineSettings settings_of(std::span<const std::string> lines) {
  TextLineSettings settings;
  if (most(lines, has_check)) settings.checksum = TextChecksum::xor_nmea;
  if (most(lines, [](const std::string& line) { return inside_check(line).substr(0, 1) == "{"; }))
    settings.form = TextForm::json;
  else if (most(lines, [](const std::string& line) { return !keys_of(inside_check(line)).empty(); }))
    settings.form = TextForm::key_value;
  return settings;
}

/// The fields of the lines by their names, in the order of the first line that has them.
std::vector<std::string> field_names(std::span<const std::string> lines, const TextLineSettings& settings) {
  std::vector<std::string> names;
  std::size_t columns = 0;
  for (const std::string& line : lines) {
    const std::string inside(inside_check(line));
    if (settings.form == TextForm::csv) {
      columns = std::max(columns, columns_of(inside).size());
      continue;
    }
    for (std::string& key : settings.form == TextForm::json ? json_keys_of(inside) : keys_of(inside))
      if (std::find(names.begin(), names.end(), key) == names.end()) names.push_back(std::move(key));
  }
  for (std::size_t i = 1; i <= columns; ++i) names.push_back(std::to_string(i));
  if (names.size() > field_limit) names.resize(field_limit);
  return names;
}

/// The names a line of words gives the columns.
std::map<std::string, std::string> column_titles(std::span<const std::string> lines, std::size_t columns) {
  std::map<std::string, std::string> titles;
  for (const std::string& line : lines) {
    std::string text = line;
    while (!text.empty() && (text[0] == '#' || text[0] == ' ')) text.erase(0, 1);
    const auto words = columns_of(text);
    const bool all_words = std::none_of(words.begin(), words.end(),
                                        [](const std::string& word) { return word.empty() || is_number_word(word); });
    if (words.size() != columns || !all_words) continue;
    for (std::size_t i = 0; i < words.size(); ++i) titles[std::to_string(i + 1)] = words[i];
    break;
  }
  return titles;
}

std::vector<Decimal> decoded(std::span<const std::string> lines, const TextLineSettings& settings,
                             const std::string& field, Quantity quantity) {
  const ChosenField chosen{quantity, field, {1, 0}, {}, {}};
  std::vector<Decimal> values;
  auto decoder = drivers::make_capture_decoder(text_profile(settings, {}, {&chosen, 1}));
  if (!decoder) return values;
  drivers::Output output;
  for (const std::string& line : lines) {
    const std::string whole = line + "\n";
    (*decoder)->feed(std::as_bytes(std::span(whole)), output);
  }
  (*decoder)->finish(output);
  for (const drivers::Measurement& reading : output.readings)
    if (const auto value = reading.values.get(quantity)) values.push_back(*value);
  return values;
}

double mean_of(const TextField& field) {
  double sum = 0.0;
  for (const Decimal& value : field.values) sum += value.value();
  return field.values.empty() ? 0.0 : sum / static_cast<double>(field.values.size());
}

/// A line's number or the board's clock: rises with every line.
bool looks_like_count(const TextField& field) {
  if (field.values.size() < 3) return false;
  for (std::size_t i = 1; i < field.values.size(); ++i)
    if (!(field.values[i].value() > field.values[i - 1].value())) return false;
  return true;
}

/// A mains voltage: 85 to 280, held within a tenth, and no counter on its way past there.
bool looks_like_voltage(const TextField& field) {
  const double mean = mean_of(field);
  return !looks_like_count(field) && mean > 85.0 && mean < 280.0 &&
         std::all_of(field.values.begin(), field.values.end(),
                     [&](const Decimal& value) { return std::abs(value.value() - mean) < 0.1 * mean; });
}

/// Where nothing is called power: the one column that neither rises for ever nor stands at a mains voltage.
void guess_by_numbers(std::vector<TextField>& fields) {
  const auto is = [&](Quantity quantity) {
    return std::any_of(fields.begin(), fields.end(), [&](const TextField& f) { return f.probably == quantity; });
  };
  if (!is(Quantity::voltage))
    for (TextField& field : fields)
      if (!field.probably && looks_like_voltage(field)) {
        field.probably = Quantity::voltage;
        break;
      }
  if (is(Quantity::power)) return;
  TextField* only = nullptr;
  for (TextField& field : fields) {
    if (field.probably || (looks_like_count(field) && fields.size() > 1)) continue;
    if (only != nullptr) return;
    only = &field;
  }
  if (only != nullptr) only->probably = Quantity::power;
}

/// "power" of "meter.power".
std::string last_part(const std::string& name) {
  const std::size_t dot = name.rfind('.');
  return dot == std::string::npos ? name : name.substr(dot + 1);
}

/// A quantity is given once; the first field of its name has it.
void drop_doubles(std::vector<TextField>& fields) {
  std::array<bool, quantity_count> seen{};
  for (TextField& field : fields) {
    if (!field.probably) continue;
    bool& taken = seen.at(static_cast<std::size_t>(*field.probably));
    if (taken) field.probably.reset();
    taken = true;
  }
}

std::optional<TextField> read_field(std::span<const std::string> lines, const TextLineSettings& settings,
                                    const std::string& name) {
  TextField field;
  field.field = field.name = name;
  // As what its unit allows; a number without one is taken as anything.
  for (const Quantity quantity : all_quantities) {
    field.values = decoded(lines, settings, name, quantity);
    if (field.values.empty()) continue;
    const Quantity other = quantity == Quantity::voltage ? Quantity::power : Quantity::voltage;
    field.says_unit = decoded(lines, settings, name, other).empty();
    if (field.says_unit) field.probably = quantity;
    return field;
  }
  return std::nullopt;
}

}  // namespace

std::vector<std::string> whole_lines(std::string_view bytes) {
  std::vector<std::string> lines;
  std::size_t at = bytes.find_first_of("\r\n");
  while (at != std::string_view::npos && lines.size() < guess_line_limit) {
    const std::size_t begin = bytes.find_first_not_of("\r\n", at);
    if (begin == std::string_view::npos) break;
    at = bytes.find_first_of("\r\n", begin);
    if (at != std::string_view::npos) lines.emplace_back(bytes.substr(begin, at - begin));
  }
  return lines;
}

double text_share(std::string_view bytes) {
  if (bytes.empty()) return 0.0;
  const auto good = std::count_if(bytes.begin(), bytes.end(),
                                  [](char c) { return (c >= ' ' && c <= '~') || c == '\t' || c == '\r' || c == '\n'; });
  return static_cast<double>(good) / static_cast<double>(bytes.size());
}

std::optional<TextGuess> guess_text(std::span<const std::string> lines, std::optional<TextLineSettings> only) {
  lines = lines.first(std::min(lines.size(), guess_line_limit));
  TextGuess guess;
  guess.settings = only ? *only : settings_of(lines);
  for (const std::string& name : field_names(lines, guess.settings)) {
    auto field = read_field(lines, guess.settings, name);
    if (!field) continue;
    guess.lines = std::max(guess.lines, field->values.size());
    guess.fields.push_back(std::move(*field));
  }
  if (guess.fields.empty()) return std::nullopt;
  guess.share = static_cast<double>(guess.lines) / static_cast<double>(lines.size());
  if (guess.settings.form == TextForm::csv) {
    const std::size_t columns = field_names(lines, guess.settings).size();
    for (const auto& [field, title] : column_titles(lines, columns))
      for (TextField& known : guess.fields)
        if (known.field == field) known.name = title;
  }
  for (TextField& field : guess.fields)
    if (const auto meaning = csv::meaning_of_column(last_part(field.name));
        meaning.role == csv::ColumnRole::quantity && meaning.odd_unit.empty() && !field.probably) {
      field.probably = meaning.quantity;
      field.scale = meaning.scale.value_or(Decimal{1, 0});
    }
  drop_doubles(guess.fields);
  guess_by_numbers(guess.fields);
  return guess;
}

MeterProfile text_profile(const TextLineSettings& settings, const LineSettings& line,
                          std::span<const ChosenField> fields) {
  MeterProfile profile;
  profile.protocol = settings;
  profile.line = line;
  for (const ChosenField& chosen : fields) {
    ReadSpec read;
    read.quantity = chosen.quantity;
    read.scale = chosen.scale;
    read.resolution = chosen.resolution;
    read.accuracy = chosen.accuracy;
    if (settings.form == TextForm::csv)
      read.column = std::atoi(chosen.field.c_str());
    else
      read.key = chosen.field;
    profile.reads.push_back(std::move(read));
  }
  return profile;
}

std::optional<double> shown_step(std::span<const Decimal> values, const Decimal& scale) {
  // Zeros show no step: a printer that leaves zeros at the end out writes 0.0 for any of them.
  if (std::all_of(values.begin(), values.end(), [](const Decimal& value) { return value.mantissa == 0; }))
    return std::nullopt;
  int exponent = Decimal::highest_exponent;
  for (const Decimal& value : values) exponent = std::min<int>(exponent, value.exponent);
  return std::abs(scale.value()) * Decimal{1, static_cast<std::int8_t>(exponent)}.value();
}

std::optional<Decimal> scale_from(std::string_view word) {
  const std::string unit(word);
  for (const char* base : {"W", "Wh", "V", "A", "Hz", "VA", "var"}) {
    if (unit == base) return Decimal{1, 0};
    if (unit == "m" + std::string(base)) return Decimal{1, -3};
    if (unit == "k" + std::string(base)) return Decimal{1, 3};
  }
  const auto number = Decimal::parse(word);
  return number && number->mantissa != 0 ? number : std::nullopt;
}

}  // namespace nightwatt::setup
