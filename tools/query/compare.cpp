#include <algorithm>
#include <array>
#include <cmath>
#include <map>

#include "commands.hpp"
#include "device_table.hpp"
#include "figures.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

using Infos = std::vector<storage::RunInfo>;

/// The newest run of each named device, and every entered row.
Result<Infos> default_runs(const storage::StoreReader& store) {
  auto runs = store.runs();
  if (!runs) return tl::unexpected(runs.error());
  std::map<std::string, storage::RunId> newest;
  for (const storage::RunInfo& run : *runs)
    if (run.device && run.origin != storage::RunOrigin::entered) newest[*run.device] = run.id;
  Infos chosen;
  for (storage::RunInfo& run : *runs) {
    const bool entered = run.origin == storage::RunOrigin::entered;
    if (entered || (run.device && newest.at(*run.device) == run.id)) chosen.push_back(std::move(run));
  }
  if (chosen.empty())
    return fail(ErrorKind::negative, "no run has a device's name yet; give it one with nightwatt name RUN DEVICE");
  return chosen;
}

Result<Infos> given_runs(const storage::StoreReader& store, const Words& words) {
  Infos chosen;
  for (const std::string& word : words) {
    auto run = find_run(store, word);
    if (!run) return tl::unexpected(run.error());
    const bool there =
        std::any_of(chosen.begin(), chosen.end(), [&](const auto& other) { return other.id == run->id; });
    if (!there) chosen.push_back(std::move(*run));
  }
  return chosen;
}

enum class Format : std::uint8_t { text, markdown, csv, json };

Result<Format> format_from(const Context& context, const MaybeWord& word) {
  const std::string name = word.value_or(context.json ? "json" : "text");
  if (name == "text") return Format::text;
  if (name == "markdown") return Format::markdown;
  if (name == "csv") return Format::csv;
  if (name == "json") return Format::json;
  return fail(ErrorKind::input, "--format is " + text::quoted(name) + "; give text, markdown, csv or json");
}

/// All that one comparison shows.
struct Comparison {
  std::vector<DeviceRow> rows;
  std::vector<std::optional<Rank>> idle_ranks, load_ranks;
  std::optional<std::size_t> against;  ///< of `rows`
  std::optional<storage::RunId> less;
  std::vector<std::string> warnings;
};

/// What the run that is subtracted drew: alone on the meter, its one level is its idle.
Result<Figure> less_figure(const storage::StoreReader& store, const storage::RunInfo& info) {
  const auto record = run_record(store, info);
  if (!record) return tl::unexpected(record.error());
  const Summary& s = record->summary;
  const auto& figure = s.idle ? s.idle : s.standby;
  if (!figure)
    return fail(ErrorKind::negative, "--less: " + run_text(info) +
                                         " has no idle or standby level to subtract; nightwatt segments " +
                                         std::to_string(info.id) + " shows what it has");
  if (!std::isfinite(figure->uncertainty))
    return fail(ErrorKind::negative,
                "--less: the uncertainty of " + run_text(info) + " is not known; enter it again with --resolution");
  return *figure;
}

Result<void> subtract_run(const storage::StoreReader& store, const std::string& word, Infos& infos, Comparison& all,
                          Figure& figure) {
  const auto run = find_run(store, word);
  if (!run) return tl::unexpected(run.error());
  const auto less = less_figure(store, *run);
  if (!less) return tl::unexpected(less.error());
  figure = *less;
  all.less = run->id;
  std::erase_if(infos, [&](const auto& info) { return info.id == run->id; });
  if (infos.empty())
    return fail(ErrorKind::negative, "nothing is left to compare when " + run_text(*run) + " is subtracted");
  return {};
}

Result<Comparison> comparison_of(const storage::StoreReader& store, const CompareArguments& arguments) {
  Comparison all;
  auto infos = arguments.runs.empty() ? default_runs(store) : given_runs(store, arguments.runs);
  if (!infos) return tl::unexpected(infos.error());
  Figure less;
  if (arguments.less)
    if (auto done = subtract_run(store, *arguments.less, *infos, all, less); !done) return tl::unexpected(done.error());
  auto rows = rows_of(store, *infos);
  if (!rows) return tl::unexpected(rows.error());
  all.rows = std::move(*rows);
  all.warnings = condition_warnings(all.rows);
  if (all.less) subtract(all.rows, less, all.warnings);
  if (arguments.against) {
    // A measured row comes before one read from a display, whatever their order.
    for (std::size_t i = all.rows.size(); i-- > 0;)
      if (all.rows[i].device == *arguments.against && (!all.against || !all.rows[i].entered)) all.against = i;
    if (!all.against)
      return fail(ErrorKind::negative, "--against: no row is of a device " + text::quoted(*arguments.against) +
                                           "; nightwatt compare lists them");
  }
  all.idle_ranks = ranks(all.rows, &DeviceRow::idle);
  all.load_ranks = ranks(all.rows, &DeviceRow::load);
  return all;
}

std::string rank_text(const std::optional<Rank>& rank) {
  if (!rank) return {};
  if (rank->first == rank->last) return std::to_string(rank->first);
  return std::to_string(rank->first) + "-" + std::to_string(rank->last);
}

std::string runs_text(const DeviceRow& row) {
  std::string text = row.entered ? "entered by hand, run " : row.runs.size() == 1 ? "run " : "runs ";
  for (std::size_t i = 0; i < row.runs.size(); ++i) text += (i == 0 ? "" : ", ") + std::to_string(row.runs[i]);
  return text;
}

std::string includes_text(const DeviceRow& row, std::string_view between) {
  std::string text;
  for (const std::string& item : row.includes) text.append(text.empty() ? "" : between).append(item);
  return text;
}

std::string conditions_text(const DeviceRow& row, std::string_view equals, std::string_view between) {
  std::string text;
  for (const auto& [key, value] : row.conditions)
    text.append(text.empty() ? "" : between).append(key).append(equals).append(value);
  return text;
}

void write_ratio(JsonWriter& json, const std::string& name, const std::optional<Figure>& ratio) {
  json.key(name);
  ratio ? json.value(ratio->value) : json.null();
  json.key(name + "_uncertainty");
  ratio ? json.value(ratio->uncertainty) : json.null();
}

void write_rank(JsonWriter& json, const Comparison& all, std::size_t i, const std::string& name,
                const std::optional<Rank>& rank, RowFigure figure) {
  json.key(name + "_rank");
  rank ? json.begin_array().value(rank->first).value(rank->last).end_array() : json.null();
  json.key(name + "_tied_with").begin_array();
  for (const std::string& device : tied_with(all.rows, i, figure)) json.value(device);
  json.end_array();
}

void write_against(JsonWriter& json, const Comparison& all, const DeviceRow& row) {
  const DeviceRow& other = all.rows[*all.against];
  json.key("against").begin_object().field("device", other.device);
  const Against idle = against(row.idle, other.idle), load = against(row.load, other.load);
  write_figure(json, "idle_difference", idle.difference_w);
  write_ratio(json, "idle_ratio", idle.ratio);
  write_figure(json, "load_difference", load.difference_w);
  write_ratio(json, "load_ratio", load.ratio);
  json.end_object();
}

void write_json(Context& context, const Comparison& all) {
  JsonWriter json(context.out);
  json.begin_object().key("devices").begin_array();
  for (std::size_t i = 0; i < all.rows.size(); ++i) {
    const DeviceRow& row = all.rows[i];
    json.line_break().begin_object().field("device", row.device).key("runs").begin_array();
    for (const storage::RunId run : row.runs) json.value(run);
    json.end_array();
    write_figure(json, "idle", row.idle);
    write_figure(json, "load", row.load);
    write_figure(json, "standby", row.standby);
    json.field("energy_wh", row.energy_wh).field("entered", row.entered);
    write_rank(json, all, i, "idle", all.idle_ranks[i], &DeviceRow::idle);
    write_rank(json, all, i, "load", all.load_ranks[i], &DeviceRow::load);
    json.key("includes").begin_array();
    for (const std::string& item : row.includes) json.value(item);
    json.end_array().key("set").begin_object();
    for (const auto& [key, value] : row.conditions) json.field(key, value);
    json.end_object();
    if (all.against && *all.against != i) write_against(json, all, row);
    json.end_object();
  }
  json.end_array();
  if (all.less) json.field("less", *all.less);
  json.key("warnings").begin_array();
  for (const std::string& warning : all.warnings) json.value(warning);
  json.end_array().end_object();
  context.out.write("\n");
}

/// Quoted as RFC 4180 asks where a comma, a quote or a line break would end the cell.
std::string csv_cell(std::string_view text) {
  if (text.find_first_of(",\"\r\n") == std::string_view::npos) return std::string(text);
  std::string quoted = "\"";
  for (const char c : text) quoted.append(c == '"' ? 2 : 1, c);
  return quoted + '"';
}

void append_csv(std::string& line, const std::optional<Figure>& figure) {
  line += ",";
  if (figure) line += exact_text(figure->value);
  line += ",";
  if (figure && std::isfinite(figure->uncertainty)) line += exact_text(figure->uncertainty);
}

void write_csv(Context& context, const Comparison& all) {
  std::string line =
      "device,runs,idle_w,idle_uncertainty_w,load_w,load_uncertainty_w,standby_w,standby_uncertainty_w,energy_wh,"
      "entered,idle_rank,load_rank,includes,set";
  if (all.against)
    line +=
        ",idle_difference_w,idle_difference_uncertainty_w,idle_ratio,idle_ratio_uncertainty,load_difference_w,"
        "load_difference_uncertainty_w,load_ratio,load_ratio_uncertainty";
  context.out.write(line + "\n");
  for (std::size_t i = 0; i < all.rows.size(); ++i) {
    const DeviceRow& row = all.rows[i];
    std::string runs;
    for (const storage::RunId run : row.runs) runs += (runs.empty() ? "" : " ") + std::to_string(run);
    line = csv_cell(row.device) + "," + runs;
    for (const auto& figure : {row.idle, row.load, row.standby}) append_csv(line, figure);
    line += "," + (row.energy_wh ? exact_text(*row.energy_wh) : std::string()) + (row.entered ? ",true," : ",false,");
    line += rank_text(all.idle_ranks[i]) + "," + rank_text(all.load_ranks[i]) + "," +
            csv_cell(includes_text(row, " ")) + "," + csv_cell(conditions_text(row, "=", " "));
    if (all.against && *all.against != i) {
      const DeviceRow& other = all.rows[*all.against];
      for (const Against& pair : {against(row.idle, other.idle), against(row.load, other.load)}) {
        append_csv(line, pair.difference_w);
        append_csv(line, pair.ratio);
      }
    } else if (all.against) {
      line += ",,,,,,,,";
    }
    context.out.write(line + "\n");
  }
  for (const std::string& warning : all.warnings)
    context.err.write("nightwatt: warning: " + text::printable(warning) + "\n");
}

Table devices_table(const Comparison& all) {
  const auto any = [&](const auto& has) { return std::any_of(all.rows.begin(), all.rows.end(), has); };
  const bool ranked = all.rows.size() > 1;
  const bool includes = any([](const DeviceRow& row) { return !row.includes.empty(); });
  const bool under = any([](const DeviceRow& row) { return !row.conditions.empty(); });
  Table table;
  table.column("device", Table::Align::left);
  table.column("standby", Table::Align::right);
  table.column("idle", Table::Align::right);
  if (ranked) table.column("place", Table::Align::left);
  table.column("load", Table::Align::right);
  if (ranked) table.column("place", Table::Align::left);
  table.column("energy", Table::Align::right);
  if (includes) table.column("plugged in", Table::Align::left);
  if (under) table.column("under", Table::Align::left);
  table.column("from", Table::Align::left);
  for (std::size_t i = 0; i < all.rows.size(); ++i) {
    const DeviceRow& row = all.rows[i];
    std::vector<Table::Cell> cells = {{text::printable(row.device), Tone::strong},
                                      {figure_or_nothing(row.standby, "W")},
                                      {figure_or_nothing(row.idle, "W")}};
    if (ranked) cells.push_back({rank_text(all.idle_ranks[i])});
    cells.push_back({figure_or_nothing(row.load, "W")});
    if (ranked) cells.push_back({rank_text(all.load_ranks[i])});
    cells.push_back({number_or_nothing(row.energy_wh, "Wh")});
    if (includes) cells.push_back({text::printable(includes_text(row, ", "))});
    if (under) cells.push_back({text::printable(conditions_text(row, " ", ", "))});
    cells.push_back({runs_text(row) + (all.less ? ", less run " + std::to_string(*all.less) : "")});
    table.row(std::move(cells));
  }
  return table;
}

Table against_table(const Comparison& all) {
  const DeviceRow& other = all.rows[*all.against];
  Table table;
  table.column("against " + text::printable(other.device), Table::Align::left);
  for (const char* title : {"idle", "times", "load", "times"}) table.column(title, Table::Align::right);
  for (std::size_t i = 0; i < all.rows.size(); ++i) {
    if (i == *all.against) continue;
    const Against idle = against(all.rows[i].idle, other.idle), load = against(all.rows[i].load, other.load);
    table.row({{text::printable(all.rows[i].device), Tone::strong},
               {figure_or_nothing(idle.difference_w, "W")},
               {figure_or_nothing(idle.ratio, "")},
               {figure_or_nothing(load.difference_w, "W")},
               {figure_or_nothing(load.ratio, "")}});
  }
  return table;
}

void write_tables(Context& context, const Comparison& all, bool markdown) {
  const auto write = [&](const Table& table) {
    markdown ? table.write_markdown(context.out) : table.write(context.out, context.style);
  };
  write(devices_table(all));
  if (all.against) {
    context.out.write("\n");
    write(against_table(all));
  }
  const auto shared = [](const std::optional<Rank>& rank) { return rank && rank->first != rank->last; };
  std::vector<std::string> notes;
  if (std::any_of(all.idle_ranks.begin(), all.idle_ranks.end(), shared) ||
      std::any_of(all.load_ranks.begin(), all.load_ranks.end(), shared))
    notes.emplace_back("A place such as 1-2 is a tie: the intervals overlap, and an order would rank noise.");
  for (const std::string& warning : all.warnings) notes.push_back("warning: " + text::printable(warning));
  if (!notes.empty() && markdown) context.out.write("\n");
  for (const std::string& note : notes) context.out.write((markdown ? "- " : "") + note + "\n");
}

}  // namespace

Outcome run(Context& context, const CompareArguments& arguments) {
  const auto format = format_from(context, arguments.format);
  if (!format) return tl::unexpected(format.error());
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto all = comparison_of(*store, arguments);
  if (!all) return tl::unexpected(all.error());
  switch (*format) {
    case Format::json:
      write_json(context, *all);
      break;
    case Format::csv:
      write_csv(context, *all);
      break;
    case Format::text:
    case Format::markdown:
      write_tables(context, *all, *format == Format::markdown);
      break;
  }
  return 0;
}

}  // namespace nightwatt::query
