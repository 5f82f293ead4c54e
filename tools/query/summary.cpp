#include "budget.hpp"
#include "commands.hpp"
#include "figures.hpp"
#include "measure/time_text.hpp"
#include "text/printable.hpp"
#include "text/width.hpp"

namespace nightwatt::query {
namespace {

void write_json(Context& context, const RunRecord& record, const std::optional<RunBudgets>& budgets) {
  const storage::RunInfo& info = record.info;
  const Summary& s = record.summary;
  JsonWriter json(context.out);
  json.begin_object().field("run", info.id).field("device", info.device).field("meter", info.meter);
  json.field("begin", info.begin + record.shift);
  json.key("end");
  info.end ? json.value(*info.end + record.shift) : json.null();
  json.field("open", !info.end.has_value()).field("samples", s.samples).field("gap_s", s.gap_s);
  json.field("energy_wh", s.energy_wh).field("counter_wh", s.counter_wh);
  write_figure(json, "idle", s.idle);
  write_figure(json, "standby", s.standby);
  write_figure(json, "load", s.load);
  json.field("peak_w", s.peak_w).key("segments").begin_object();
  for (std::size_t kind = 0; kind < s.segments.size(); ++kind)
    json.field(segment_kind_name(static_cast<SegmentKind>(kind)), s.segments[kind]);
  json.end_object().key("warnings").begin_array();
  for (const std::string& warning : s.warnings) json.value(warning);
  json.end_array().field("note", info.note).key("includes").begin_array();
  for (const std::string& item : info.includes) json.value(item);
  json.end_array().key("set").begin_object();
  for (const auto& [key, value] : info.conditions) json.field(key, value);
  json.end_object();
  if (budgets) write_budgets(json, *budgets);
  json.end_object();
  context.out.write("\n");
}

std::string span_text(const RunRecord& record, UtcTime now) {
  const storage::RunInfo& info = record.info;
  const UtcTime shown_end = info.end ? *info.end + record.shift : now;
  std::string text = local_text(info.begin + record.shift);
  text += info.end ? " to " + local_text(shown_end) : ", still open";
  return text + ", " + duration_text(to_seconds(shown_end - (info.begin + record.shift)));
}

void line(Context& context, std::string_view name, const std::string& what) {
  context.out.write("  " + text::pad_right(name, 10) + (what.empty() ? toned(context.style, Tone::dim, "-") : what) +
                    "\n");
}

void write_conditions(Context& context, const storage::RunInfo& info) {
  std::string list;
  for (const std::string& item : info.includes) list += (list.empty() ? "" : ", ") + text::printable(item);
  if (!list.empty()) line(context, "includes", list);
  list.clear();
  for (const auto& [key, value] : info.conditions)
    list += (list.empty() ? "" : ", ") + text::printable(key) + " " + text::printable(value);
  if (!list.empty()) line(context, "under", list);
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
  line(context, "idle", figure_or_nothing(s.idle, "W"));
  line(context, "load", figure_or_nothing(s.load, "W"));
  if (!entered) {
    line(context, "standby", figure_or_nothing(s.standby, "W"));
    line(context, "peak", number_or_nothing(s.peak_w, "W"));
    std::string energy = number_or_nothing(s.energy_wh, "Wh");
    if (s.counter_wh)
      energy += (energy.empty() ? "" : "; ") + ("the meter's own counter says " + number_text(*s.counter_wh, "Wh"));
    line(context, "energy", energy);
    line(context, "segments", counts_text(s));
  }
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
  auto record = run_record(*store, *info);
  if (!record) return tl::unexpected(record.error());
  std::optional<RunBudgets> budgets;
  if (arguments.budget) {
    auto made = run_budgets(*store, *record);
    if (!made) return tl::unexpected(made.error());
    budgets = std::move(*made);
    widen(*record, *budgets);
  }
  if (context.json) {
    write_json(context, *record, budgets);
  } else {
    write_people(context, *record);
    if (budgets) write_budgets(context, record->summary, *budgets);
  }
  return 0;
}

}  // namespace nightwatt::query
