#include "profile_parser.hpp"

#include <algorithm>
#include <array>
#include <string_view>

#include "checked_table.hpp"

namespace nightwatt::config {

namespace {

constexpr std::int64_t slowest_baud = 50;        // the slowest POSIX names
constexpr std::int64_t fastest_baud = 12000000;  // what the fastest USB bridges do
constexpr double longest_interval_s = 86400.0;   // asked less than once a day is a slip of the unit
constexpr double shortest_interval_s = 0.001;    // no serial meter answers a thousand times a second
constexpr double highest_starting_w = 1000.0;
constexpr double longest_timeout_s = 60.0;
constexpr std::int64_t most_retries = 20;
constexpr std::int64_t most_columns = 256;
constexpr std::size_t key_limit = 64;  // bytes of a key in a text line
constexpr double highest_resolution = 1e6;

const std::vector<std::string_view> built_protocols = {"modbus-rtu", "text-line"};
const std::vector<std::string_view> later_protocols = {"scpi", "iec62056-21", "dsmr-p1", "sml", "sunspec", "s0-pulse"};

std::vector<std::string_view> quantity_words() {
  std::vector<std::string_view> words;
  words.reserve(quantity_count);
  for (const Quantity quantity : all_quantities) words.push_back(quantity_name(quantity));
  return words;
}

LineSettings parse_line(CheckedTable table, bool is_modbus) {
  LineSettings line;
  if (const auto baud = table.integer("baud", {slowest_baud, fastest_baud}))
    line.baud = static_cast<std::uint32_t>(*baud);
  if (const auto word = table.word("parity", {"none", "even", "odd", "mark", "space"}))
    line.parity = static_cast<Parity>(*word);
  if (const auto bits = table.integer("data_bits", {5, 8})) {
    line.data_bits = static_cast<int>(*bits);
    if (is_modbus && line.data_bits != 8)
      table.problem("data_bits", "modbus-rtu needs 8 data bits, this says " + std::to_string(line.data_bits),
                    "write data_bits = 8");
  }
  if (const auto bits = table.integer("stop_bits", {1, 2})) line.stop_bits = static_cast<int>(*bits);
  table.finish();
  return line;
}

ModbusRtuSettings parse_modbus(CheckedTable table) {
  ModbusRtuSettings settings;
  if (const auto unit = table.integer("unit", {1, 247})) settings.unit = static_cast<int>(*unit);
  if (const auto timeout_s = table.number("timeout_s", {shortest_interval_s, longest_timeout_s}))
    settings.timeout = to_duration({*timeout_s});
  if (const auto retries = table.integer("retries", {0, most_retries})) settings.retries = static_cast<int>(*retries);
  table.finish();
  return settings;
}

TextLineSettings parse_text_line(CheckedTable table) {
  TextLineSettings settings;
  if (const auto form = table.word("form", {"csv", "key-value", "json"}))
    settings.form = static_cast<TextForm>(*form);
  else if (!table.has("form"))
    table.need("form", "write form = \"csv\", \"key-value\" or \"json\"");
  if (const auto checksum = table.word("checksum", {"none", "xor"}))
    settings.checksum = static_cast<TextChecksum>(*checksum);
  table.finish();
  return settings;
}

std::optional<Accuracy> parse_accuracy(CheckedTable table) {
  const auto percent = table.number("percent", {0.0, 100.0});
  const auto floor = table.number("floor", {0.0, highest_resolution});
  const auto meter_class = table.text("class", key_limit);
  table.finish();
  if (table.has("class")) {
    if (table.has("percent") || table.has("floor"))
      table.problem("class", "an accuracy is given both as a class and in figures", "keep one of the two");
    if (!meter_class) return std::nullopt;
    auto accuracy = Accuracy::from_class(*meter_class);
    if (!accuracy) {
      table.problem("class", "unknown meter class " + in_quotes(*meter_class),
                    "write a class of EN 50470-3 (A, B, C) or IEC 62053 (0.2S, 0.5S, 1, 2), or percent and floor");
      return std::nullopt;
    }
    return *accuracy;
  }
  Accuracy accuracy;
  accuracy.percent = percent.value_or(0.0);
  accuracy.floor = floor.value_or(0.0);
  const bool wrong = (table.has("percent") && !percent) || (table.has("floor") && !floor);
  if (!wrong && accuracy.percent == 0.0 && accuracy.floor == 0.0)
    table.problem("percent", "an accuracy of 0 promises a perfect meter",
                  "write what the meter's data sheet promises, or leave the key out");
  return accuracy;
}

void parse_modbus_read(CheckedTable& table, ReadSpec& read) {
  if (const auto function = table.integer("function", {3, 4}))
    read.function = static_cast<int>(*function);
  else if (!table.has("function"))
    table.need("function", "write function = 3 (holding registers) or 4 (input registers)");

  const auto type = table.word("type", {"u16", "s16", "u32", "s32", "u64", "s64", "float32", "float64"});
  if (type)
    read.type = static_cast<RegisterType>(*type);
  else if (!table.has("type"))
    table.need("type", "write the register's type, such as type = \"float32\"");

  if (const auto order = table.word("order", {"abcd", "cdab", "badc", "dcba"}))
    read.order = static_cast<RegisterOrder>(*order);

  if (const auto address = table.integer("register", {0, 65535})) {
    read.register_address = static_cast<std::uint16_t>(*address);
    if (type && *address + static_cast<std::int64_t>(register_count(read.type)) > 65536)
      table.problem("register", "the value reaches past register 65535", "correct the register or its type");
  } else if (!table.has("register")) {
    table.need("register", "write the register's PDU address, counted from 0");
  }
  table.refuse("field", "belongs to text-line", "take it out, or set protocol = \"text-line\"");
}

void parse_text_read(CheckedTable& table, TextForm form, ReadSpec& read) {
  if (!table.has("field")) {
    table.need("field", form == TextForm::csv ? "write the column's number, counted from 1" : "write the key's name");
  } else if (form == TextForm::csv) {
    if (const auto column = table.integer("field", {1, most_columns})) read.column = static_cast<int>(*column);
  } else if (auto key = table.text("field", key_limit)) {
    read.key = std::move(*key);
  }
  for (const std::string_view key : {"function", "register", "type", "order"})
    table.refuse(key, "belongs to modbus-rtu", "take it out, or set protocol = \"modbus-rtu\"");
}

ReadSpec parse_read(CheckedTable& table, const std::variant<ModbusRtuSettings, TextLineSettings>& protocol) {
  ReadSpec read;
  static const std::vector<std::string_view> words = quantity_words();
  if (const auto quantity = table.word("quantity", words))
    read.quantity = all_quantities[*quantity];
  else if (!table.has("quantity"))
    table.need("quantity", "write what the value is, such as quantity = \"power\"");

  if (const auto scale = table.decimal("scale")) {
    read.scale = *scale;
    if (scale->mantissa == 0)
      table.problem("scale", "a scale of 0 makes every reading 0", "write the factor to W, Wh, V, A, Hz, VA or var");
  }
  read.resolution = table.number("resolution", {0.0, highest_resolution, true});
  if (const auto display = table.word("display", {"rounds", "truncates"})) {
    read.truncates = *display == 1;
    if (read.truncates && !read.resolution && !table.has("resolution"))
      table.need("resolution", "what a display cuts off is less than its step: write the step");
  }
  if (auto accuracy = table.table("accuracy", "accuracy = { percent = 1.0, floor = 0.05 }"))
    read.accuracy = parse_accuracy(std::move(*accuracy));

  if (const auto* text_line = std::get_if<TextLineSettings>(&protocol))
    parse_text_read(table, text_line->form, read);
  else
    parse_modbus_read(table, read);
  table.finish();
  return read;
}

void parse_reads(CheckedTable& root, MeterProfile& profile) {
  auto tables = root.tables("read", "[[read]]");
  if (!root.has("read"))
    root.need("read", "add a [[read]] table for each quantity the meter gives");
  else if (tables.empty())
    root.problem("read", "\"read\" is empty", "add a [[read]] table for each quantity the meter gives");
  std::array<int, quantity_count> first_lines{};
  for (CheckedTable& table : tables) {
    const ReadSpec read = parse_read(table, profile.protocol);
    int& first_line = first_lines.at(static_cast<std::size_t>(read.quantity));
    if (table.has("quantity") && first_line != 0) {
      table.problem("quantity",
                    in_quotes(quantity_name(read.quantity)) + " is read already by the [[read]] of line " +
                        std::to_string(first_line),
                    "keep one of the two");
      continue;
    }
    first_line = table.line();
    profile.reads.push_back(read);
  }
}

bool contains(const std::vector<std::string_view>& words, std::string_view word) {
  return std::find(words.begin(), words.end(), word) != words.end();
}

/// False where no protocol of ours is named: the rest of the file then cannot be judged.
bool check_protocol(CheckedTable& root) {
  if (!root.has("protocol")) {
    root.need("protocol", "write protocol = \"modbus-rtu\" or \"text-line\"");
    return false;
  }
  const auto name = root.text("protocol", key_limit);
  if (!name) return false;
  if (contains(built_protocols, *name)) return true;
  if (contains(later_protocols, *name))
    root.problem("protocol", "protocol " + in_quotes(*name) + " is not supported yet",
                 "this version reads modbus-rtu and text-line");
  else
    root.problem("protocol", "unknown protocol " + in_quotes(*name), "write one of modbus-rtu, text-line");
  return false;
}

}  // namespace

std::optional<MeterProfile> parse_profile(const Node& root_node, const std::string& name, Problems& problems) {
  CheckedTable root(root_node, "the profile", problems);
  if (!check_protocol(root)) return std::nullopt;
  const bool is_modbus = root.text("protocol", key_limit) == "modbus-rtu";

  MeterProfile profile;
  profile.name = name;
  if (is_modbus) {
    profile.protocol = ModbusRtuSettings{};
    if (auto table = root.table("modbus-rtu", "[modbus-rtu]")) profile.protocol = parse_modbus(std::move(*table));
    root.refuse("text-line", "belongs to another protocol", "take the table out");
  } else {
    profile.protocol = TextLineSettings{};
    if (auto table = root.table("text-line", "[text-line]"))
      profile.protocol = parse_text_line(std::move(*table));
    else if (!root.has("text-line"))
      root.need("text-line", "add [text-line] with its form");
    root.refuse("modbus-rtu", "belongs to another protocol", "take the table out");
  }
  if (auto line = root.table("line", "line = { baud = 9600 }")) profile.line = parse_line(std::move(*line), is_modbus);
  if (const auto interval_s = root.number("interval_s", {shortest_interval_s, longest_interval_s}))
    profile.interval = to_duration({*interval_s});
  profile.starting_w = root.number("starting_w", {0.0, highest_starting_w});
  parse_reads(root, profile);
  root.finish();

  if (!problems.empty()) return std::nullopt;
  return profile;
}

}  // namespace nightwatt::config
