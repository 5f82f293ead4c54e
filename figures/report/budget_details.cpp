#include "figures/budget_words.hpp"
#include "figures/figures.hpp"
#include "measure/signal/advice.hpp"
#include "page_text.hpp"
#include "parts.hpp"

namespace nightwatt::report {
namespace {

using figures::number_text;

std::string part_row(const BudgetPart& part, const MeterTraits& traits) {
  return "<tr><th scope=\"row\">" + html(std::string(figures::part_name(part.kind))) + "</th><td class=\"n\">" +
         number_text(part.uncertainty_w * 1000.0, "") + "</td><td class=\"n\">" + number_text(part.share * 100.0, "") +
         "</td><td class=\"n\">" + figures::degrees_of_freedom_text(part.degrees_of_freedom) + "</td><td>" +
         (part.rectangular ? "rectangular" : "normal") + "</td><td>" + html(figures::part_words(part, traits)) +
         "</td></tr>\n";
}

std::string one_budget(const ReportRun& run, std::string_view name,
                       const std::optional<figures::FigureBudget>& figure) {
  if (!figure) return {};
  const LevelBudget& b = figure->budget;
  Figure whole{b.level_w, b.uncertainty_w};
  whole.finest = finest_digit(whole, figures::shown_by(run.record));
  std::string text =
      "<details><summary>What the uncertainty of <b>" + std::string(name) +
      "</b> is made of: " + html(figure_text(whole, "W")) +
      "</summary>\n<div class=\"scroll\" tabindex=\"0\"><table><thead><tr>" +
      "<th scope=\"col\">component</th><th scope=\"col\">u, mW</th><th scope=\"col\">share, %</th>"
      "<th scope=\"col\">freedom</th><th scope=\"col\">shape</th><th scope=\"col\">made of</th></tr></thead><tbody>\n";
  for (const BudgetPart& part : b.parts) text += part_row(part, run.budgets.traits);
  text += "</tbody></table></div><p>" + std::to_string(b.readings) + " readings, worth " +
          number_text(b.effective_readings, "") + " independent ones, of " + std::to_string(figure->segments) +
          (figure->segments == 1 ? " segment" : " segments") +
          ". Combined u = " + number_text(b.standard_w * 1000.0, "mW") + ", k = " + number_text(b.coverage_factor, "") +
          ", so U = " + number_text(b.uncertainty_w * 1000.0, "mW") + ".</p>";
  if (figure->stability) text += "<p>" + html(figure->stability->words) + "</p>";
  for (const BudgetWarning& warning : b.warnings)
    text += "<p class=\"warning\">" + html(without_advice(figures::warning_words(warning))) + "</p>";
  return text + "</details>\n";
}

}  // namespace

std::string budget_details(const ReportRun& run) {
  return one_budget(run, "standby", run.budgets.standby) + one_budget(run, "idle", run.budgets.idle) +
         one_budget(run, "load", run.budgets.load) +
         (differ(run.record.summary.sustained, run.record.summary.load)
              ? one_budget(run, "sustained load", run.budgets.sustained)
              : std::string()) +
         (differ(run.record.summary.baseline, run.record.summary.idle)
              ? one_budget(run, "baseline", run.budgets.baseline)
              : std::string());
}

}  // namespace nightwatt::report
