#include <algorithm>
#include <array>
#include <string_view>

#include "figures/figures.hpp"
#include "measure/time_text.hpp"
#include "page_text.hpp"
#include "parts.hpp"
#include "report_files.hpp"

namespace nightwatt::page {
namespace {

std::string figure_cells(const std::optional<Figure>& figure) {
  const FigureWords words = figure_words(figure);
  return "<td class=\"n\">" + words.value + "</td><td class=\"pm\">" + words.uncertainty + "</td>";
}

/// Columns that say something for any row.
struct Shown {
  bool ranks = false, includes = false, conditions = false, baseline = false, sustained = false;
};

Shown shown_of(const figures::Comparison& all) {
  Shown shown;
  shown.ranks = all.rows.size() > 1;
  for (const figures::DeviceRow& row : all.rows) {
    shown.baseline = shown.baseline || differ(row.baseline, row.idle);
    shown.sustained = shown.sustained || differ(row.sustained, row.load);
    shown.includes = shown.includes || !row.includes.empty();
    shown.conditions = shown.conditions || !row.conditions.empty();
  }
  return shown;
}

std::string device_row(const figures::Comparison& all, std::size_t i, Shown shown) {
  const figures::DeviceRow& row = all.rows[i];
  std::string text = "<tr><th scope=\"row\">" + html(row.device.empty() ? "no name yet" : row.device) + "</th>";
  text += figure_cells(row.standby) + figure_cells(row.idle);
  if (shown.ranks) text += "<td class=\"n\">" + figures::rank_text(all.idle_ranks[i]) + "</td>";
  if (shown.baseline) text += figure_cells(row.baseline);
  text += figure_cells(row.load);
  if (shown.ranks) text += "<td class=\"n\">" + figures::rank_text(all.load_ranks[i]) + "</td>";
  if (shown.sustained) text += figure_cells(row.sustained);
  text += "<td class=\"n\">" + figures::number_or_nothing(row.energy_wh, "") + "</td>";
  if (shown.includes) text += "<td class=\"k\">" + html(figures::includes_text(row, ", ")) + "</td>";
  if (shown.conditions) text += "<td class=\"k\">" + html(figures::conditions_text(row, " ", ", ")) + "</td>";
  return text + "<td>" + html(figures::runs_text(row)) + "</td></tr>\n";
}

/// One table row of headings, so that it lands in a spreadsheet as it stands; a number and its ± in a cell each.
std::string device_table(const figures::Comparison& all) {
  const Shown shown = shown_of(all);
  std::string text =
      "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"Table of devices\"><table "
      "id=\"devices\"><thead><tr><th "
      "scope=\"col\">device</th>";
  const auto column = [&](const std::string& title) {
    const bool number = title.find(", W") != std::string::npos || title == "place";
    text += std::string(number ? "<th scope=\"col\" class=\"n\">" : "<th scope=\"col\">") + title + "</th>";
  };
  for (const char* title : {"standby, W", "±", "idle, W", "±"}) column(title);
  if (shown.ranks) column("place");
  if (shown.baseline)
    for (const char* title : {"baseline, W", "±"}) column(title);
  for (const char* title : {"load, W", "±"}) column(title);
  if (shown.ranks) column("place");
  if (shown.sustained)
    for (const char* title : {"sustained, W", "±"}) column(title);
  column("energy, Wh");
  if (shown.includes) column("plugged in");
  if (shown.conditions) column("conditions");
  column("from");
  text += "</tr></thead><tbody>\n";
  for (std::size_t i = 0; i < all.rows.size(); ++i) text += device_row(all, i, shown);
  return text + "</tbody></table></div>\n";
}

std::string table_notes(const figures::Comparison& all) {
  const auto shared = [](const std::optional<figures::Rank>& rank) { return rank && rank->first != rank->last; };
  std::string text =
      "<p class=\"small\">± is the expanded uncertainty, k = 2: the true value lies within about 95 times in 100. An "
      "empty "
      "cell is a figure the record cannot give.";
  if (std::any_of(all.idle_ranks.begin(), all.idle_ranks.end(), shared) ||
      std::any_of(all.load_ranks.begin(), all.load_ranks.end(), shared))
    text += " A place such as 1-2 is a tie: the intervals overlap, and an order would rank noise.";
  const Shown shown = shown_of(all);
  if (shown.baseline)
    text += " Baseline is the mean power of a long time at idle, with all that the device does of itself meanwhile.";
  if (shown.sustained) text += " Sustained is the level that the longest work came down to.";
  text += "</p>\n";
  if (all.warnings.empty()) return text;
  text += "<ul class=\"warnings\">";
  for (const std::string& warning : all.warnings) text += "<li>" + html(warning) + "</li>\n";
  return text + "</ul>\n";
}

std::string kinds_legend() {
  struct Meaning {
    SegmentKind kind;
    std::string_view words;
  };
  constexpr std::array<Meaning, 8> meanings = {{
      {SegmentKind::off, "at or below the starting threshold"},
      {SegmentKind::standby, "plugged in but not working"},
      {SegmentKind::idle, "lowest steady level at work"},
      {SegmentKind::plateau, "steady level above idle"},
      {SegmentKind::ramp, "way from level to level"},
      {SegmentKind::charging, "a battery fills; never load"},
      {SegmentKind::unsteady, "no level can be quoted"},
      {SegmentKind::gap, "no data"},
  }};
  std::string text = "<ul class=\"kinds\">";
  for (const Meaning& meaning : meanings)
    text += "<li><svg class=\"swatch\" width=\"26\" height=\"16\" aria-hidden=\"true\"><rect class=\"ribbon " +
            kind_class(meaning.kind) + "\" width=\"26\" height=\"16\"/></svg> <b>" +
            std::string(segment_kind_name(meaning.kind)) + "</b> " + std::string(meaning.words) + "</li>\n";
  return text + "</ul>\n";
}

std::string method() {
  return "<section aria-labelledby=\"how\"><h2 id=\"how\">How it was measured</h2>\n"
         "<p>A meter between socket and device was read over its own interface and every reading kept. The record was "
         "cut "
         "where the power changed. A level is the mean over the last two thirds of a steady stretch, short excursions "
         "left "
         "out; idle is the lowest steady level of the working device, load the highest that was held. Energy is the "
         "integral of the readings, never across a gap.</p>\n"
         "<p>The uncertainty counts the scatter of the readings with their correlation, the display's step, and the "
         "meter's "
         "accuracy where it is given (GUM, JCGM 100:2008); k = 2. Another specimen, room temperature or supply voltage "
         "may "
         "give another value. All powers are at the wall, adapter included unless the table says otherwise.</p>\n"
         "<p class=\"caution\"><b>Mains can kill, batteries can burn.</b> Use plug-in meters as their makers say and "
         "below "
         "the lowest rating of socket, strip and meter. Leave fixed wiring and opened mains equipment to licensed "
         "people; "
         "local codes come first.</p>\n"
         "<p class=\"small\">Made by Nightwatt " NIGHTWATT_VERSION ".</p>\n</section>\n";
}

/// Line breaks stay: html() would show them as control characters.
std::string licence() {
  std::string text;
  std::string_view rest = embedded::chart_licence_txt;
  while (!rest.empty()) {
    const std::size_t end = std::min(rest.size(), rest.find('\n'));
    text += html(rest.substr(0, end)) + "\n";
    rest.remove_prefix(std::min(rest.size(), end + 1));
  }
  return text;
}

std::string head(const std::string& title) {
  const std::string policy = "default-src 'none'; script-src '" + std::string(embedded::report_script_js_hash) +
                             "'; style-src '" + std::string(embedded::report_style_css_hash) +
                             "'; base-uri 'none'; form-action 'none'";
  return "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
         "<meta http-equiv=\"Content-Security-Policy\" content=\"" +
         policy +
         "\">\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
         "<meta name=\"color-scheme\" content=\"light dark\">\n<title>" +
         html(title) + "</title>\n<style>" + std::string(embedded::report_style_css) + "</style>\n</head>\n<body>\n";
}

}  // namespace

std::string report_page(const Report& report) {
  const std::string title = report.title.empty() ? "Power report" : report.title;
  std::string page = head(title) + "<header><p class=\"mark-line\" aria-hidden=\"true\"></p><h1>" + html(title) +
                     "</h1>\n<p class=\"small\">Made " + local_text(report.made) + "</p>\n";
  if (!report.note.empty()) page += "<p class=\"note\">" + html(report.note) + "</p>\n";
  page += "</header>\n<main>\n<section aria-labelledby=\"table\"><h2 id=\"table\">What each device draws</h2>\n" +
          device_table(report.comparison) + table_notes(report.comparison) + "</section>\n";
  page += "<section class=\"chart\" aria-labelledby=\"bars\"><h2 id=\"bars\">Idle and load</h2>\n" +
          bar_chart(report.comparison, false) +
          "<p class=\"small\">Bars in W: idle plain, load hatched; the bracket is the interval ±.</p></section>\n";
  if (!report.histories.empty()) {
    page +=
        "<section aria-labelledby=\"histories\"><h2 id=\"histories\">From run to run</h2>\n<p class=\"small\">A dot is "
        "a run's figure; its line is what readings and display leave open. What all runs of a meter share, its "
        "promise, is left out: changes are judged without it.</p></section>\n";
    for (const figures::History& history : report.histories) page += history_section(history);
  }
  page += kind_patterns() + "<section aria-labelledby=\"runs\"><h2 id=\"runs\">The records</h2>\n" + kinds_legend() +
          "</section>\n";
  for (const ReportRun& run : report.runs) page += run_section(run);
  page += method() +
          "</main>\n<footer><details><summary>Licence of the chart code in this page (uPlot)</summary><pre>" +
          licence() + "</pre></details></footer>\n";
  page += "<script type=\"application/json\" id=\"data\">" + report_data(report) + "</script>\n<script>" +
          std::string(embedded::report_script_js) + "</script>\n</body>\n</html>\n";
  return page;
}

std::string report_chart(const Report& report) {
  return bar_chart(report.comparison, true);
}

}  // namespace nightwatt::page
