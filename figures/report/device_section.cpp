#include <algorithm>
#include <optional>
#include <string_view>
#include <vector>

#include "figures/figures.hpp"
#include "measure/signal/advice.hpp"
#include "page_text.hpp"
#include "parts.hpp"

namespace nightwatt::report {
namespace {

using figures::DeviceRow;

/// A column of the table: of figures, each with its ±, or of words.
struct Column {
  std::string title;
  std::optional<Figure> DeviceRow::*figure = nullptr;
  std::vector<std::optional<figures::Rank>> figures::Comparison::*ranks = nullptr;
};

/// Columns that say something for any row.
std::vector<Column> figure_columns(const figures::Comparison& all) {
  const auto any = [&](const auto& has) { return std::any_of(all.rows.begin(), all.rows.end(), has); };
  const auto ranks = [&](auto which) { return all.rows.size() > 1 ? which : nullptr; };
  std::vector<Column> columns;
  if (any([](const DeviceRow& row) { return row.standby.has_value(); }))
    columns.push_back({"standby", &DeviceRow::standby, nullptr});
  columns.push_back({"idle", &DeviceRow::idle, ranks(&figures::Comparison::idle_ranks)});
  if (any([](const DeviceRow& row) { return differ(row.baseline, row.idle); }))
    columns.push_back({"baseline", &DeviceRow::baseline, nullptr});
  columns.push_back({"load", &DeviceRow::load, ranks(&figures::Comparison::load_ranks)});
  if (any([](const DeviceRow& row) { return differ(row.sustained, row.load); }))
    columns.push_back({"sustained", &DeviceRow::sustained, nullptr});
  return columns;
}

/// The curve of the run that a figure is from: of several the newest. What was entered has none.
std::string link_to(const DeviceRow& row, const std::string& words) {
  if (words.empty() || row.runs.empty() || row.entered) return words.empty() ? words : "<span>" + words + "</span>";
  return "<a href=\"#run-" + std::to_string(row.runs.back()) + "\">" + words + "</a>";
}

std::string cell(std::string_view kind, const std::string& title, const std::string& content) {
  return "<td role=\"cell\" class=\"" + std::string(kind) + "\" data-title=\"" + title + "\">" + content + "</td>";
}

std::string from_words(const DeviceRow& row) {
  std::string text = row.entered ? "entered by hand, " : row.imported ? "from a file, " : "";
  text += row.runs.size() == 1 ? "run " : "runs ";
  for (std::size_t i = 0; i < row.runs.size(); ++i) {
    const std::string id = std::to_string(row.runs[i]);
    text.append(i == 0 ? "" : ", ").append("<a href=\"#run-").append(id).append("\">").append(id).append("</a>");
  }
  return text;
}

/// The columns of words, and whether they are shown.
struct Words {
  bool energy, includes, conditions;
};

Words words_of(const figures::Comparison& all) {
  return {figures::energies_compare(all.rows), figures::includes_differ(all.rows),
          figures::conditions_differ(all.rows)};
}

std::string device_row(const figures::Comparison& all, std::size_t i, const std::vector<Column>& columns) {
  const DeviceRow& row = all.rows[i];
  const Words words = words_of(all);
  std::string text = "<tr role=\"row\"><th role=\"rowheader\" scope=\"row\">" +
                     html(row.device.empty() ? "no name yet" : row.device) + "</th>";
  for (const Column& column : columns) {
    const FigureWords figure = figure_words(row.*column.figure);
    text += cell("n", column.title + ", W", link_to(row, figure.value)) + cell("pm", "±", figure.uncertainty);
    if (column.ranks != nullptr) text += cell("r", "rank", figures::rank_text((all.*column.ranks)[i]));
  }
  const std::string energy = figures::number_or_nothing(row.energy_wh, "");
  if (words.energy) text += cell("n", "energy, Wh", energy.empty() ? energy : "<span>" + energy + "</span>");
  if (words.includes) text += cell("k", "plugged in", html(figures::includes_text(row, ", ")));
  if (words.conditions) text += cell("k", "conditions", html(figures::conditions_text(row, " ", ", ")));
  return text + cell("k from", "from", from_words(row)) + "</tr>\n";
}

std::string table_head(const figures::Comparison& all, const std::vector<Column>& columns) {
  const Words words = words_of(all);
  std::string text = "<thead role=\"rowgroup\"><tr role=\"row\">";
  const auto column = [&](const std::string& title, std::string_view kind) {
    text += "<th role=\"columnheader\" scope=\"col\" class=\"" + std::string(kind) + "\">" + title + "</th>";
  };
  column("device", "d");
  for (const Column& one : columns) {
    column(one.title + ", W", "n");
    column("±", "pm");
    if (one.ranks != nullptr) column("rank", "r");
  }
  if (words.energy) column("energy, Wh", "n");
  if (words.includes) column("plugged in", "k");
  if (words.conditions) column("conditions", "k");
  column("from", "k");
  return text + "</tr></thead>";
}

std::string rank_note(const figures::Comparison& all) {
  const auto shared = [](const std::optional<figures::Rank>& rank) { return rank && rank->first != rank->last; };
  if (std::none_of(all.idle_ranks.begin(), all.idle_ranks.end(), shared) &&
      std::none_of(all.load_ranks.begin(), all.load_ranks.end(), shared))
    return {};
  return " A rank such as 1-2 is a tie: the intervals overlap, and an order would rank noise.";
}

std::string notes(const figures::Comparison& all, const std::vector<Column>& columns) {
  const auto has = [&](std::string_view title) {
    return std::any_of(columns.begin(), columns.end(), [&](const Column& column) { return column.title == title; });
  };
  const bool entered = std::any_of(all.rows.begin(), all.rows.end(), [](const DeviceRow& row) { return row.entered; });
  std::string text =
      "<p class=\"small\">± is the expanded uncertainty, k = 2: the true value lies within about 95 times in 100. A "
      "dash is a figure that the record cannot give";
  text += entered ? ", or that nobody entered." : ".";
  text += rank_note(all);
  if (has("baseline"))
    text += " Baseline is the mean power of a long time at idle, with all that the device does of itself meanwhile.";
  if (has("sustained")) text += " Sustained is the level that the longest work came down to.";
  if (const std::string unknown = figures::unknown_accuracy_text(all.rows); !unknown.empty())
    text += " " + html(unknown);
  if (const std::string common = figures::common_conditions(all.rows); !common.empty())
    text += " All rows " + html(common) + ".";
  text += " Each figure leads to the curve of its run.</p>\n";
  if (all.warnings.empty()) return text;
  text += "<ul class=\"warnings\">";
  for (const std::string& warning : all.warnings) text += "<li>" + html(without_advice(warning)) + "</li>\n";
  return text + "</ul>\n";
}

}  // namespace

// One row of headings, so that it lands in a spreadsheet as it stands; a number and its ± in a cell each. The roles are
// said since a narrow screen lays the rows out as blocks, which would take them away.
std::string device_section(const figures::Comparison& all) {
  const std::vector<Column> columns = figure_columns(all);
  std::string text =
      "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"Table of devices\"><table id=\"devices\" "
      "role=\"table\">" +
      table_head(all, columns) + "<tbody role=\"rowgroup\">\n";
  for (std::size_t i = 0; i < all.rows.size(); ++i) text += device_row(all, i, columns);
  return text + "</tbody></table></div>\n" + notes(all, columns);
}

}  // namespace nightwatt::report
