#include <algorithm>
#include <cmath>

#include "commands.hpp"
#include "figures/comparison.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

enum class Format : std::uint8_t { text, markdown, csv, json };

Result<Format> format_from(const Context& context, const MaybeWord& word) {
  const std::string name = word.value_or(context.json ? "json" : "text");
  if (name == "text") return Format::text;
  if (name == "markdown") return Format::markdown;
  if (name == "csv") return Format::csv;
  if (name == "json") return Format::json;
  return fail(ErrorKind::input, "--format is " + text::quoted(name) + "; give text, markdown, csv or json");
}

void write_json(Context& context, const Comparison& all) {
  JsonWriter json(context.out);
  write_comparison(json, all);
  context.out.write("\n");
}

/// Quoted as RFC 4180 asks where a comma, a quote or a line break would end the cell.
std::string csv_cell(std::string_view text) {
  // A spreadsheet would compute what begins like this; an apostrophe makes it text (common practice, no source).
  const bool formula = !text.empty() && std::string_view("=+-@").find(text.front()) != std::string_view::npos;
  std::string cell = formula ? "'" : "";
  cell += text;
  if (cell.find_first_of(",\"\r\n") == std::string::npos) return cell;
  std::string quoted = "\"";
  for (const char c : cell) quoted.append(c == '"' ? 2 : 1, c);
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
      "entered,idle_rank,load_rank,includes,set,accuracy";
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
            csv_cell(includes_text(row, " ")) + "," + csv_cell(conditions_text(row, "=", " ")) + "," +
            csv_cell(row.accuracy.value_or(""));
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
  if (const std::string unknown = unknown_accuracy_text(all.rows); !unknown.empty())
    notes.push_back(text::printable(unknown));
  for (const std::string& warning : all.warnings) notes.push_back("warning: " + text::printable(warning));
  if (!notes.empty() && markdown) context.out.write("\n");
  for (const std::string& note : notes) context.out.write((markdown ? "- " + markdown_text(note) : note) + "\n");
}

}  // namespace

Outcome run(Context& context, const CompareArguments& arguments) {
  const auto format = format_from(context, arguments.format);
  if (!format) return tl::unexpected(format.error());
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto all = comparison_of(*store, {arguments.runs, arguments.against, arguments.less});
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
