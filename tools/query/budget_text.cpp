#include "budget_text.hpp"

#include "figures/budget_words.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

std::string small_power(double watts) {
  return watts < 1.0 ? number_text(watts * 1000.0, "mW") : number_text(watts, "W");
}

void print_one(Context& context, const std::string& name, const std::optional<FigureBudget>& figure,
               const MeterTraits& traits) {
  if (!figure) return;
  const LevelBudget& b = figure->budget;
  context.out.write("\n" + toned(context.style, Tone::strong, "Budget of the " + name + " level") + ": " +
                    figure_text({b.level_w, b.uncertainty_w}, "W") + ", " + std::to_string(b.readings) +
                    " readings of " + std::to_string(figure->segments) +
                    (figure->segments == 1 ? " segment\n" : " segments\n"));
  Table table;
  table.column("component", Table::Align::left);
  for (const char* title : {"u", "share", "freedom"}) table.column(title, Table::Align::right);
  table.column("shape", Table::Align::left);
  table.column("made of", Table::Align::left);
  for (const BudgetPart& part : b.parts)
    table.row({{std::string(figures::part_name(part.kind))},
               {small_power(part.uncertainty_w)},
               {number_text(part.share * 100.0, "%")},
               {degrees_of_freedom_text(part.degrees_of_freedom)},
               {part.rectangular ? "rectangular" : "normal"},
               {text::printable(figures::part_words(part, traits))}});
  table.write(context.out, context.style);
  context.out.write("  combined u = " + small_power(b.standard_w) + ", k = " + number_text(b.coverage_factor, "") +
                    " (" + degrees_of_freedom_text(b.degrees_of_freedom) +
                    " effective degrees of freedom), U = " + small_power(b.uncertainty_w) + "\n");
  if (figure->stability) context.out.write("  " + text::printable(figure->stability->words) + "\n");
  for (const BudgetWarning& warning : b.warnings)
    context.out.write("  " + toned(context.style, Tone::yellow, "warning:") + " " +
                      text::printable(figures::warning_words(warning)) + "\n");
}

}  // namespace

void print_budgets(Context& context, const RunBudgets& budgets) {
  print_one(context, "idle", budgets.idle, budgets.traits);
  print_one(context, "load", budgets.load, budgets.traits);
  print_one(context, "standby", budgets.standby, budgets.traits);
  if (budgets.sustained && !(budgets.load && budgets.load->budget.level_w == budgets.sustained->budget.level_w))
    print_one(context, "sustained", budgets.sustained, budgets.traits);
  print_one(context, "baseline", budgets.baseline, budgets.traits);
}

}  // namespace nightwatt::query
