#include "profile_parser.hpp"

#include <algorithm>
#include <array>
#include <string_view>

#include "checked_table.hpp"
#include "correction_parser.hpp"

namespace nightwatt::config {

namespace {

constexpr std::int64_t slowest_baud = 50;        // the slowest POSIX names
constexpr std::int64_t fastest_baud = 12000000;  // what the fastest USB bridges do
constexpr double longest_interval_s = 86400.0;   // asked less than once a day is a slip of the unit
constexpr double shortest_interval_s = 0.001;    // no serial meter answers a thousand times a second
constexpr double highest_starting_w = 1000.0;
constexpr double longest_gap_s = 86400.0;
constexpr std::size_t word_limit = 64;  // bytes of a protocol's or a class's name
constexpr double highest_resolution = 1e6;

std::vector<std::string_view> quantity_words() {
  std::vector<std::string_view> words;
  words.reserve(quantity_count);
  for (const Quantity quantity : all_quantities) words.push_back(quantity_name(quantity));
  return words;
}

LineSettings parse_line(CheckedTable table, const ProtocolReader& protocol, LineSettings line) {
  if (const auto baud = table.integer("baud", {slowest_baud, fastest_baud}))
    line.baud = static_cast<std::uint32_t>(*baud);
  if (const auto word = table.word("parity", {"none", "even", "odd", "mark", "space"}))
    line.parity = static_cast<Parity>(*word);
  if (const auto bits = table.integer("data_bits", {5, 8})) line.data_bits = static_cast<int>(*bits);
  if (const auto bits = table.integer("stop_bits", {1, 2})) line.stop_bits = static_cast<int>(*bits);
  protocol.check_line(line, table);
  table.finish();
  return line;
}

std::optional<Accuracy> parse_accuracy(CheckedTable table) {
  const auto percent = table.number("percent", {0.0, 100.0});
  const auto floor = table.number("floor", {0.0, highest_resolution});
  const auto meter_class = table.text("class", word_limit);
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

/// Keys of other protocols are known, and named as theirs.
void refuse_others(CheckedTable& table, const ProtocolReader& protocol, ProtocolReaders all) {
  std::vector<std::string_view> seen(protocol.read_keys().begin(), protocol.read_keys().end());
  for (const ProtocolReader* other : all)
    for (const std::string_view key : other->read_keys()) {
      if (std::find(seen.begin(), seen.end(), key) != seen.end()) continue;
      seen.push_back(key);
      const std::string name(other->name());
      table.refuse(key, "belongs to " + name, "take it out, or set protocol = \"" + name + "\"");
    }
}

ReadSpec parse_read(CheckedTable& table, const ProtocolReader& protocol, ProtocolReaders all,
                    const ProtocolSettings& settings) {
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
    read.rounding = *display == 1 ? Rounding::truncates : Rounding::rounds;
    if (read.rounding == Rounding::truncates && !read.resolution && !table.has("resolution"))
      table.need("resolution", "what a display cuts off is less than its step: write the step");
  }
  if (auto accuracy = table.table("accuracy", "accuracy = { percent = 1.0, floor = 0.05 }"))
    read.accuracy = parse_accuracy(std::move(*accuracy));

  if (auto correction = table.table("correction", "correction = { ... }")) {
    if (read.quantity != Quantity::power)
      table.problem("correction", "a correction of " + in_quotes(quantity_name(read.quantity)) + " is not known",
                    "only power has one: nightwatt calibrate writes it");
    read.correction = parse_correction(std::move(*correction));
  }

  protocol.read_place(table, settings, read);
  refuse_others(table, protocol, all);
  table.finish();
  return read;
}

void parse_reads(CheckedTable& root, const ProtocolReader& protocol, ProtocolReaders all, MeterProfile& profile) {
  auto tables = root.tables("read", "[[read]]");
  if (!root.has("read")) profile.reads = protocol.usual_reads();
  if (!root.has("read") && profile.reads.empty())
    root.need("read", "add a [[read]] table for each quantity the meter gives");
  else if (root.has("read") && tables.empty())
    root.problem("read", "\"read\" is empty", "add a [[read]] table for each quantity the meter gives");
  std::array<int, quantity_count> first_lines{};
  for (CheckedTable& table : tables) {
    const ReadSpec read = parse_read(table, protocol, all, profile.protocol);
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

std::string names_of(ProtocolReaders protocols) {
  std::string names;
  for (const ProtocolReader* protocol : protocols) names += (names.empty() ? "" : ", ") + std::string(protocol->name());
  return names;
}

/// nullptr where no protocol of ours is named: the rest of the file then cannot be judged.
const ProtocolReader* find_protocol(CheckedTable& root, ProtocolReaders protocols) {
  if (!root.has("protocol")) {
    root.need("protocol", "write protocol = \"NAME\" with one of " + names_of(protocols));
    return nullptr;
  }
  const auto name = root.text("protocol", word_limit);
  if (!name) return nullptr;
  for (const ProtocolReader* protocol : protocols)
    if (protocol->name() == *name) return protocol;
  root.problem("protocol", "unknown protocol " + in_quotes(*name), "write one of " + names_of(protocols));
  return nullptr;
}

ProtocolSettings parse_settings(CheckedTable& root, const ProtocolReader& protocol, ProtocolReaders all) {
  ProtocolSettings settings = protocol.defaults();
  const std::string name(protocol.name());
  if (auto table = root.table(name, "[" + name + "]")) {
    settings = protocol.read_table(*table);
    table->finish();
  } else if (!root.has(name) && !protocol.table_remedy().empty()) {
    root.need(name, protocol.table_remedy());
  }
  for (const ProtocolReader* other : all)
    if (other != &protocol) root.refuse(other->name(), "belongs to another protocol", "take the table out");
  return settings;
}

}  // namespace

std::optional<MeterProfile> parse_profile(const Node& root_node, const std::string& name, ProtocolReaders protocols,
                                          Problems& problems) {
  CheckedTable root(root_node, "the profile", problems);
  const ProtocolReader* protocol = find_protocol(root, protocols);
  if (protocol == nullptr) return std::nullopt;

  MeterProfile profile;
  profile.name = name;
  profile.protocol = parse_settings(root, *protocol, protocols);
  profile.line = protocol->default_line_of(profile.protocol);
  if (auto line = root.table("line", "line = { baud = 9600 }"))
    profile.line = parse_line(std::move(*line), *protocol, profile.line);
  if (const auto interval_s = root.number("interval_s", {shortest_interval_s, longest_interval_s}))
    profile.interval = to_duration({*interval_s});
  profile.starting_w = root.number("starting_w", {0.0, highest_starting_w});
  if (const auto word = root.word("reports", {"always", "on-change"})) profile.on_change = *word == 1;
  profile.gap_s = root.number("gap_s", {0.0, longest_gap_s, true});
  parse_reads(root, *protocol, protocols, profile);
  root.finish();

  if (!problems.empty()) return std::nullopt;
  return profile;
}

}  // namespace nightwatt::config
