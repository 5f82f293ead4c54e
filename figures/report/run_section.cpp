#include "figures/figures.hpp"
#include "measure/signal/advice.hpp"
#include "measure/signal/time_text.hpp"
#include "page_text.hpp"
#include "parts.hpp"

namespace nightwatt::report {
namespace {

using figures::number_text;

constexpr std::size_t listed_segments = 200;  // a page is to be read; the rest is said to be there

std::string cell(const std::optional<double>& number) {
  return "<td class=\"n\">" + (number ? number_text(*number, "") : std::string()) + "</td>";
}

std::string watts_cell(const std::optional<double>& watts, double step_w, int more_digits) {
  return "<td class=\"n\">" + (watts ? figures::reading_text(*watts, step_w, "", more_digits) : std::string()) +
         "</td>";
}

std::string segment_row(const ReportRun& run, const Segment& s) {
  const double step_w = run.record.step_w;
  const FigureWords words = figure_words(figures::level_of(run.record, s));
  std::string remark;
  if (s.settled_w) remark = "settled at " + figures::reading_text(*s.settled_w, step_w, "W", 1);
  if (s.settled_w && s.settling_s) remark += " after " + duration_text({*s.settling_s});
  if (s.settling_unfinished) remark = "not settled";
  if (s.open) remark += remark.empty() ? "open" : ", open";
  return "<tr><th scope=\"row\"><svg class=\"swatch\" width=\"22\" height=\"14\" aria-hidden=\"true\"><rect "
         "class=\"ribbon " +
         kind_class(s.kind) + "\" width=\"22\" height=\"14\"/></svg> " + std::string(segment_kind_name(s.kind)) +
         "</th><td>" + local_text(run.record.shown(s.begin)) + "</td><td class=\"n\">" +
         duration_text(to_seconds(run.record.shown(s.end) - run.record.shown(s.begin))) + "</td><td class=\"n\">" +
         words.value + "</td><td class=\"pm\">" + words.uncertainty + "</td>" + watts_cell(s.mean_w, step_w, 1) +
         watts_cell(s.lowest_w, step_w, 0) + watts_cell(s.highest_w, step_w, 0) + cell(s.energy_wh) + "<td>" + remark +
         "</td></tr>\n";
}

std::string segment_table(const ReportRun& run) {
  const std::size_t count = run.record.segments.size();
  std::string text =
      "<details><summary>" + std::to_string(count) + (count == 1 ? " segment" : " segments") +
      " in numbers</summary>\n<div class=\"scroll\" tabindex=\"0\"><table><thead><tr><th scope=\"col\">kind</th>";
  for (const char* title :
       {"begin", "length", "level, W", "±", "mean, W", "lowest, W", "highest, W", "energy, Wh", "remarks"})
    text += "<th scope=\"col\">" + std::string(title) + "</th>";
  text += "</tr></thead><tbody>\n";
  for (std::size_t i = 0; i < std::min(count, listed_segments); ++i) text += segment_row(run, run.record.segments[i]);
  text += "</tbody></table></div>";
  if (count > listed_segments)
    text += "<p>" + std::to_string(count - listed_segments) + " more are not listed here.</p>";
  return text + "</details>\n";
}

std::string meter_words(const ReportRun& run) {
  const storage::RunInfo& info = run.record.info;
  if (info.origin == storage::RunOrigin::entered) {
    std::string text = "Read from a display";
    if (info.traits.resolution_w) text += " with a step of " + plain(*info.traits.resolution_w) + " W";
    return text +
           (info.traits.accuracy ? ", accuracy " + html(info.traits.accuracy->text())
                                 : ", accuracy not given: the intervals leave it out") +
           ".";
  }
  std::string text = info.meter ? "Meter " + html(*info.meter) : "From a file";
  if (run.record.step_w > 0.0)
    text += ", display step " + plain(run.record.step_w) + " W" + (info.traits.resolution_w ? "" : " (learnt)");
  text += info.traits.accuracy ? ", accuracy " + html(info.traits.accuracy->text())
                               : ", accuracy not given: the intervals leave it out";
  return text + ".";
}

std::string when_words(const ReportRun& run) {
  const storage::RunInfo& info = run.record.info;
  if (info.origin == storage::RunOrigin::entered) return "Entered by hand " + local_text(info.begin) + ".";
  const Summary& s = run.record.summary;
  std::string text = local_text(run.record.shown(run.window.from));
  text += info.end ? " to " + local_text(run.record.shown(run.window.to)) : ", still open";
  text += "; " + std::to_string(s.samples) + " readings";
  if (s.gap_s > 0.0) text += ", and " + duration_text({s.gap_s}) + " of gaps";
  if (s.peak_w) text += "; highest reading " + figures::reading_text(*s.peak_w, run.record.step_w, "W");
  if (s.energy_wh) text += "; " + number_text(*s.energy_wh, "Wh");
  if (s.counter_wh) text += ", by the meter's own counter " + number_text(*s.counter_wh, "Wh");
  return text + ".";
}

std::string curve_part(const ReportRun& run) {
  const std::string id = std::to_string(run.record.info.id);
  if (run.bins.empty()) return "<p class=\"none\">No curve: there are no readings behind this row.</p>\n";
  return "<figure class=\"curve\" data-run=\"" + id + "\">" + curve_chart(run) +
         "<figcaption>Power, W: mean (line), lowest to highest (band). No line crosses a gap." +
         "</figcaption></figure>\n";
}

}  // namespace

std::string run_section(const ReportRun& run) {
  const storage::RunInfo& info = run.record.info;
  const std::string id = std::to_string(info.id);
  std::string text = "<section class=\"run\" id=\"run-" + id + "\" aria-labelledby=\"title-" + id +
                     "\"><h3 id=\"title-" + id + "\">" + (info.device ? html(*info.device) : "No name yet") +
                     " <small>run " + id + "</small></h3>\n<p>" + when_words(run) + " " + meter_words(run) + "</p>\n";
  if (!info.note.empty()) text += "<p class=\"note\">" + html(info.note) + "</p>\n";
  text += curve_part(run);
  if (!run.warnings.empty()) {
    text += "<ul class=\"warnings\">";
    for (const std::string& warning : run.warnings) text += "<li>" + html(without_advice(warning)) + "</li>\n";
    text += "</ul>";
  }
  text += budget_details(run);
  if (!run.record.segments.empty()) text += segment_table(run);
  return text + "</section>\n";
}

}  // namespace nightwatt::report
