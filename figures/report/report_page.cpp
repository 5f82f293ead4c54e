#include <algorithm>
#include <array>
#include <string_view>

#include "figures/figures.hpp"
#include "measure/signal/time_text.hpp"
#include "page_text.hpp"
#include "parts.hpp"
#include "report_files.hpp"

namespace nightwatt::report {
namespace {

std::string kinds_legend() {
  struct Meaning {
    SegmentKind kind;
    std::string_view words;
  };
  constexpr std::array<Meaning, 8> meanings = {{
      {SegmentKind::off, "at or below the starting threshold"},
      {SegmentKind::standby, "plugged in but not working"},
      {SegmentKind::idle, "lowest steady level at work"},
      {SegmentKind::plateau, "steady level above idle; the highest gives load"},
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

/// Where the rows are from: a page says of none that it was measured where it was read.
std::string sources_text(const Report& report) {
  bool live = false, imported = false, entered = false;
  for (const ReportRun& run : report.runs) {
    const storage::RunOrigin origin = run.record.info.origin;
    entered = entered || origin == storage::RunOrigin::entered;
    imported = imported || origin == storage::RunOrigin::imported;
    live = live || origin == storage::RunOrigin::automatic || origin == storage::RunOrigin::by_hand;
  }
  std::string text;
  if (live) text += "A meter between socket and device was read over its own interface and every reading kept. ";
  if (imported) text += "What is said to be from a file was read from a record that was kept elsewhere. ";
  if (entered)
    text += "What is said to be entered by hand was read from a display: no more is known of it than its last digit. ";
  if (live || imported)
    text +=
        "A record was cut where the power changed. A level is the mean over the last two thirds of a steady stretch, "
        "short excursions left out; idle is the lowest steady level of the working device, load its highest plateau "
        "(of two minutes or more where there is one). Energy is the integral of the readings, never across a gap. ";
  text.pop_back();
  return text;
}

std::string uncertainty_text(const Report& report) {
  const bool record = std::any_of(report.runs.begin(), report.runs.end(), [](const ReportRun& run) {
    return run.record.info.origin != storage::RunOrigin::entered;
  });
  return std::string("The uncertainty counts ") +
         (record ? "the scatter of the readings with their correlation, " : "") +
         "the display's step, and the meter's accuracy where it is given (GUM, JCGM 100:2008); k = 2. Another "
         "specimen, "
         "room temperature or supply voltage may give another value. All powers are at the wall, adapter included "
         "unless "
         "the table says otherwise.";
}

std::string method(const Report& report) {
  return "<section aria-labelledby=\"how\"><h2 id=\"how\">How it was measured</h2>\n<p>" +
         (report.runs.empty() ? std::string() : sources_text(report)) + "</p>\n<p>" + uncertainty_text(report) +
         "</p>\n"
         "<p class=\"caution\"><b>Mains can kill, batteries can burn.</b> Use plug-in meters as their makers say and "
         "below the lowest rating of socket, strip and meter. Leave fixed wiring and opened mains equipment to "
         "licensed "
         "people; local codes come first.</p>\n"
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
          device_section(report.comparison) + "</section>\n";
  page +=
      "<section class=\"chart\" aria-labelledby=\"bars\"><h2 id=\"bars\">Idle and load</h2>\n" +
      bar_chart(report.comparison) +
      "<p class=\"small\">Bars in W: idle plain, on to load hatched; the brackets are the intervals ±.</p></section>\n";
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
  page += method(report) +
          "</main>\n<footer><details><summary>Licence of the chart code in this page (uPlot)</summary><pre>" +
          licence() + "</pre></details></footer>\n";
  page += "<script type=\"application/json\" id=\"data\">" + report_data(report) + "</script>\n<script>" +
          std::string(embedded::report_script_js) + "</script>\n</body>\n</html>\n";
  return page;
}

Picture report_picture(const Report& report) {
  return table_picture(report.comparison, report.title);
}

}  // namespace nightwatt::report
