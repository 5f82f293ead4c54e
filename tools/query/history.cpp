#include "figures/history.hpp"

#include <cmath>

#include "context.hpp"
#include "history_picture.hpp"
#include "measure/signal/time_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

void write_csv(Context& context, const History& history) {
  std::string line = "run,begin";
  for (const FollowedFigure& figure : followed_figures()) {
    const std::string name(figure.name);
    line += "," + name + "_w," + name + "_uncertainty_w," + name + "_chance_w";
  }
  context.out.write(line + "\n");
  for (const HistoryRun& run : history.runs) {
    line = std::to_string(run.info.id) + "," + utc_text(run.begin());
    for (const auto& figure : run.figures) {
      line += "," + (figure ? exact_text(figure->value) : std::string()) + ",";
      if (figure && std::isfinite(figure->uncertainty)) line += exact_text(figure->uncertainty);
      line += "," + (figure && figure->parts ? exact_text(figure->parts->random_w) : std::string());
    }
    context.out.write(line + "\n");
  }
}

std::string conditions_cell(const storage::RunInfo& info) {
  std::string text;
  for (const std::string& item : info.includes) text += (text.empty() ? "" : ", ") + text::printable(item);
  for (const auto& [key, value] : info.conditions)
    text += (text.empty() ? "" : ", ") + text::printable(key) + " " + text::printable(value);
  return text;
}

void write_table(Context& context, const History& history) {
  Table table;
  table.column("run", Table::Align::right);
  table.column("begin", Table::Align::left);
  std::vector<std::size_t> shown;
  for (std::size_t f = 0; f < followed_count; ++f)
    if (tells(history.runs, f)) shown.push_back(f);
  for (const std::size_t f : shown) table.column(std::string(followed_figures()[f].name), Table::Align::right);
  bool any = false;
  for (const HistoryRun& run : history.runs) any = any || !conditions_cell(run.info).empty();
  if (any) table.column("conditions", Table::Align::left);
  for (const HistoryRun& run : history.runs) {
    std::vector<Table::Cell> cells = {{std::to_string(run.info.id)}, {local_text(run.begin())}};
    for (const std::size_t f : shown) cells.push_back({figure_or_nothing(run.figures[f], "W")});
    if (any) cells.push_back({conditions_cell(run.info), Tone::dim});
    table.row(std::move(cells));
  }
  table.write(context.out, context.style);
}

void write_figure(Context& context, const History& history, const HistoryGroup& group, const FigureHistory& figure) {
  const bool moved = !figure.verdict.changes.empty();
  std::string title(followed_figures()[figure.figure].name);
  if (history.groups.size() > 1) {
    title += " on " + text::printable(group.meter);
    if (!group.conditions.empty()) title += ", " + text::printable(group.conditions);
  }
  context.out.write("\n" + toned(context.style, Tone::strong, title) + "\n");
  for (const std::string& line : verdict_lines(history, figure))
    context.out.write("  " + toned(context.style, moved ? Tone::yellow : Tone::plain, line) + "\n");
  std::vector<double> levels;
  for (const NightLevel& night : figure.nights) levels.push_back(night.level_w);
  for (const std::string& line : history_picture(levels, context.style.columns)) context.out.write(line + "\n");
}

void write_people(Context& context, const History& history) {
  context.out.write(toned(context.style, Tone::strong, text::printable(history.device)) + ": " +
                    std::to_string(history.runs.size()) + (history.runs.size() == 1 ? " run\n\n" : " runs\n\n"));
  write_table(context, history);
  for (const HistoryGroup& group : history.groups)
    for (const FigureHistory& figure : group.figures) write_figure(context, history, group, figure);
  for (const LongBaseline& baseline : history.baselines) {
    context.out.write("\n");
    for (const std::string& line : baseline_lines(history, baseline)) context.out.write(line + "\n");
  }
  context.out.write(
      "\nThe ± of the table is the whole uncertainty. Changes are judged without what all nights share, the meter's "
      "promise.\n");
  for (const std::string& warning : history.warnings)
    context.out.write(toned(context.style, Tone::yellow, "warning:") + " " + text::printable(warning) + "\n");
}

}  // namespace

Outcome run(Context& context, const HistoryArguments& arguments) {
  const std::string format = arguments.format.value_or(context.json ? "json" : "text");
  if (format != "text" && format != "csv" && format != "json")
    return fail(ErrorKind::input, "--format is " + text::quoted(format) + "; give text, csv or json");
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto history = history_of(*store, arguments.device);
  if (!history) return tl::unexpected(history.error());
  if (history->runs.size() == 1 && history->baselines.empty())
    return fail(ErrorKind::negative, text::quoted(arguments.device) + " has one run alone, run " +
                                         std::to_string(history->runs[0].info.id) +
                                         ": a history needs two; nightwatt summary " +
                                         std::to_string(history->runs[0].info.id) + " shows its figures");
  if (format == "csv") {
    write_csv(context, *history);
  } else if (format == "json") {
    JsonWriter json(context.out);
    write_history(json, *history);
    context.out.write("\n");
  } else {
    write_people(context, *history);
  }
  return 0;
}

}  // namespace nightwatt::query
