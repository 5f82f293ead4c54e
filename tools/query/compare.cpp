#include <algorithm>
#include <cmath>

#include "compare_columns.hpp"
#include "context.hpp"
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

void write_json(Context& context, const Comparison& all, const TableRequest& request) {
  JsonWriter json(context.out);
  write_comparison(json, all, request.day ? &*request.day : nullptr);
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

void write_csv(Context& context, const Comparison& all, const TableRequest& request) {
  std::string line =
      "device,runs,idle_w,idle_uncertainty_w,load_w,load_uncertainty_w,standby_w,standby_uncertainty_w,energy_wh,"
      "entered,idle_rank,load_rank,includes,set,accuracy";
  if (all.against)
    line +=
        ",idle_difference_w,idle_difference_uncertainty_w,idle_ratio,idle_ratio_uncertainty,load_difference_w,"
        "load_difference_uncertainty_w,load_ratio,load_ratio_uncertainty";
  line += ",sustained_w,sustained_uncertainty_w,baseline_w,baseline_uncertainty_w";
  if (request.day) line += ",day_wh,day_uncertainty_wh,cost_a_year,cost_a_year_uncertainty,lasts_h";
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
    append_csv(line, row.sustained);
    append_csv(line, row.baseline);
    if (request.day) {
      const DayFigures day = day_of(row, *request.day);
      append_csv(line, day.energy_wh);
      append_csv(line, day.cost_a_year);
      line += "," + (day.lasts_h ? exact_text(*day.lasts_h) : std::string());
    }
    context.out.write(line + "\n");
  }
  for (const std::string& warning : all.warnings)
    context.err.write("nightwatt: warning: " + text::printable(warning) + "\n");
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

/// What the columns of a day stand on.
std::string day_note(const TableRequest& request) {
  const Day& day = request.day->day;
  std::string text = "A day is " + exact_text(day.idle_h) + " h" + " idle";
  if (day.load_h > 0.0) text += ", " + exact_text(day.load_h) + " h" + " at load";
  if (day.standby_h > 0.0) text += ", " + exact_text(day.standby_h) + " h" + " on standby";
  const double rest_h = 24.0 - day.idle_h - day.load_h - day.standby_h;
  if (rest_h > 1e-6) text += ", and " + number_text(rest_h, "h") + " unplugged";
  text += "; baseline and sustained are taken for idle and load.";
  if (request.day->battery_wh)
    text += " Of the battery half is used, and nine tenths of that arrive (common practice, no source).";
  return text;
}

Result<void> write_tables(Context& context, const Comparison& all, const TableRequest& request, bool markdown) {
  const auto devices = devices_table(all, request);
  if (!devices) return tl::unexpected(devices.error());
  const auto write = [&](const Table& table) {
    markdown ? table.write_markdown(context.out) : table.write(context.out, context.style);
  };
  write(*devices);
  if (all.against) {
    context.out.write("\n");
    write(against_table(all));
  }
  const auto shared = [](const std::optional<Rank>& rank) { return rank && rank->first != rank->last; };
  std::vector<std::string> notes;
  if (std::any_of(all.idle_ranks.begin(), all.idle_ranks.end(), shared) ||
      std::any_of(all.load_ranks.begin(), all.load_ranks.end(), shared))
    notes.emplace_back("A rank such as 1-2 is a tie: the intervals overlap, and an order would rank noise.");
  if (const std::string unknown = unknown_accuracy_text(all.rows); !unknown.empty())
    notes.push_back(text::printable(unknown));
  if (const std::string common = common_conditions(all.rows); !common.empty())
    notes.push_back("All rows " + text::printable(common) + ".");
  if (request.day) notes.push_back(day_note(request));
  for (const std::string& warning : all.warnings) notes.push_back("warning: " + text::printable(warning));
  if (!notes.empty() && markdown) context.out.write("\n");
  for (const std::string& note : notes) context.out.write((markdown ? "- " + markdown_text(note) : note) + "\n");
  return {};
}

Result<TableRequest> request_from(const CompareArguments& arguments) {
  TableRequest request;
  request.columns = arguments.columns;
  if (arguments.currency) {
    constexpr std::size_t currency_limit = 16;  // a name or a sign
    if (auto checked = text::check_text("--currency", *arguments.currency, currency_limit); !checked)
      return tl::unexpected(checked.error());
    request.currency = *arguments.currency;
  }
  if (!arguments.day) {
    if (arguments.tariff || arguments.battery)
      return fail(ErrorKind::input, "--tariff and --battery need a day to reckon with; give --day idle=24h too");
    return request;
  }
  request.day.emplace();
  const auto day = day_from(*arguments.day);
  if (!day) return tl::unexpected(day.error());
  request.day->day = *day;
  const auto tariff = maybe_not_negative("--tariff", arguments.tariff);
  if (!tariff) return tl::unexpected(tariff.error());
  request.day->tariff = *tariff;
  if (arguments.battery) {
    const auto battery = battery_from(*arguments.battery);
    if (!battery) return tl::unexpected(battery.error());
    request.day->battery_wh = *battery;
  }
  return request;
}

}  // namespace

Outcome run(Context& context, const CompareArguments& arguments) {
  const auto format = format_from(context, arguments.format);
  if (!format) return tl::unexpected(format.error());
  const auto request = request_from(arguments);
  if (!request) return tl::unexpected(request.error());
  if (arguments.all && !arguments.runs.empty()) return fail(ErrorKind::input, "give runs or --all, not both");
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto all = comparison_of(*store, {arguments.runs, arguments.against, arguments.less, arguments.all});
  if (!all) return tl::unexpected(all.error());
  switch (*format) {
    case Format::json:
      write_json(context, *all, *request);
      break;
    case Format::csv:
      write_csv(context, *all, *request);
      break;
    case Format::text:
    case Format::markdown:
      if (auto written = write_tables(context, *all, *request, *format == Format::markdown); !written)
        return tl::unexpected(written.error());
      break;
  }
  return 0;
}

}  // namespace nightwatt::query
