#include "budget_text.hpp"
#include "context.hpp"
#include "figures/figures.hpp"
#include "figures/run_json.hpp"
#include "measure/signal/time_text.hpp"
#include "text/printable.hpp"
#include "text/width.hpp"

namespace nightwatt::query {
namespace {

std::string span_text(const RunRecord& record, UtcTime now) {
  const storage::RunInfo& info = record.info;
  const UtcTime shown_end = info.end ? record.shown(*info.end) : now;
  std::string text = local_text(record.shown(info.begin));
  text += info.end ? " to " + local_text(shown_end) : ", still open";
  return text + ", " + duration_text(to_seconds(shown_end - record.shown(info.begin)));
}

constexpr std::size_t name_width = 10;  // the two longest names stick out by a blank

void line(Context& context, std::string_view name, const std::string& what) {
  context.out.write("  " + text::pad_right(name, name_width) + (name.size() < name_width ? "" : " ") +
                    (what.empty() ? toned(context.style, Tone::dim, "-") : what) + "\n");
}

/// A figure or, where the run has none, why.
void figure_line(Context& context, const Summary& s, std::string_view name, const std::optional<Figure>& figure) {
  if (figure) return line(context, name, figure_or_nothing(figure, "W"));
  for (const MissingFigure& missing : s.missing)
    if (missing.name == name) return line(context, name, toned(context.style, Tone::dim, "- (" + missing.why + ")"));
  line(context, name, "");
}

/// `8.25 ± 0.04 W, with 32 departures from idle in 8 h`
std::string baseline_text(const Summary& s) {
  std::string text = figure_or_nothing(s.baseline, "W");
  if (!s.idling) return text;
  if (s.idling->departures > 0)
    text += ", with " + std::to_string(s.idling->departures) +
            (s.idling->departures == 1 ? " departure" : " departures") + " from idle in ";
  else
    text += ", the mean of ";
  return text + duration_text(to_seconds(s.idling->end - s.idling->begin));
}

void write_conditions(Context& context, const storage::RunInfo& info) {
  std::string list;
  for (const std::string& item : info.includes) list += (list.empty() ? "" : ", ") + text::printable(item);
  if (!list.empty()) line(context, "plugged in", list);
  list.clear();
  for (const auto& [key, value] : info.conditions)
    list += (list.empty() ? "" : ", ") + text::printable(key) + " " + text::printable(value);
  if (!list.empty()) line(context, "conditions", list);
  if (!info.note.empty()) line(context, "note", text::printable(info.note));
}

void write_people(Context& context, const RunRecord& record) {
  const storage::RunInfo& info = record.info;
  const Summary& s = record.summary;
  const std::string title = "Run " + std::to_string(info.id) + ": " + (info.device ? device_text(info) : "no name yet");
  context.out.write(toned(context.style, Tone::strong, title) +
                    (info.meter ? " on " + text::printable(*info.meter) : "") + "\n");
  const bool entered = info.origin == storage::RunOrigin::entered;
  line(context, "when", entered ? "entered " + local_text(info.begin) : span_text(record, context.now()));
  if (!entered) {
    std::string readings = std::to_string(s.samples);
    if (s.gap_s > 0.0) readings += ", and " + duration_text({s.gap_s}) + " of gaps";
    line(context, "readings", readings);
  }
  figure_line(context, s, "idle", s.idle);
  if (differ(s.baseline, s.idle)) line(context, "baseline", baseline_text(s));
  figure_line(context, s, "load", s.load);
  if (differ(s.sustained, s.load))
    line(context, "sustained", figure_or_nothing(s.sustained, "W") + ", where the longest work ended");
  if (!entered) {
    figure_line(context, s, "standby", s.standby);
    line(context, "peak", s.peak_w ? reading_text(*s.peak_w, record.step_w, "W") : std::string());
    std::string energy = number_or_nothing(s.energy_wh, "Wh");
    if (s.counter_wh)
      energy += (energy.empty() ? "" : "; ") + ("the meter's own counter says " + number_text(*s.counter_wh, "Wh"));
    line(context, "energy", energy);
    line(context, "segments", counts_text(s));
  }
  if (s.idle || s.load || s.standby)
    line(context, "accuracy",
         info.traits.correction ? "of the meter, " + info.traits.correction->words() + " in place of its promise"
         : info.traits.accuracy ? "of the meter, " + info.traits.accuracy->text()
                                : "of the meter is not known: its own error is not in the intervals");
  write_conditions(context, info);
  for (const std::string& warning : s.warnings)
    context.out.write("  " + toned(context.style, Tone::yellow, "warning:") + " " + text::printable(warning) + "\n");
  if (!info.device) context.out.write("  Say what it was: nightwatt name " + std::to_string(info.id) + " DEVICE\n");
}

}  // namespace

Outcome run(Context& context, const SummaryArguments& arguments) {
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto info = find_run(*store, arguments.run);
  if (!info) return tl::unexpected(info.error());
  auto record = run_record(*store, *info, arguments.budget ? storage::Sketches::all : storage::Sketches::where_needed);
  if (!record) return tl::unexpected(record.error());
  std::optional<RunBudgets> budgets;
  if (arguments.budget) {
    auto made = run_budgets(*store, *record);
    if (!made) return tl::unexpected(made.error());
    budgets = std::move(*made);
    std::vector<std::string>& warnings = record->summary.warnings;
    warnings.insert(warnings.end(), budgets->warnings.begin(), budgets->warnings.end());
  }
  if (context.json) {
    JsonWriter json(context.out);
    write_summary(json, *record, budgets ? &*budgets : nullptr);
    context.out.write("\n");
  } else {
    write_people(context, *record);
    if (budgets) print_budgets(context, *budgets);
  }
  return 0;
}

}  // namespace nightwatt::query
