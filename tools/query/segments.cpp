#include "chart.hpp"
#include "commands.hpp"
#include "figures/run_json.hpp"
#include "measure/time_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

void write_json(Context& context, const RunRecord& record) {
  JsonWriter json(context.out);
  json.begin_document();
  write_run_name(json, record.info);
  json.key("segments");
  write_segments(json, record.segments, record.calendar);
  json.end_object();
  context.out.write("\n");
}

/// What a row has no column for.
std::string remarks(const Segment& s) {
  std::string text;
  const auto add = [&](const std::string& remark) { text += (text.empty() ? "" : ", ") + remark; };
  if (s.settled_w) add("settled at " + number_text(*s.settled_w, "W"));
  if (s.settled_w && s.settling_s) text += " after " + duration_text({*s.settling_s});
  if (s.settling_unfinished) add("not settled");
  if (s.duty) add("cycling, " + number_text(*s.duty * 100.0, "%") + " high");
  if (s.excursions > 0) add(std::to_string(s.excursions) + (s.excursions == 1 ? " excursion" : " excursions"));
  if (s.open) add("open");
  return text;
}

void write_people(Context& context, const RunRecord& record) {
  context.out.write(toned(context.style, Tone::strong, "Segments of " + run_text(record.info)) +
                    (record.info.meter ? " on " + text::printable(*record.info.meter) : "") + "\n");
  Table table;
  table.column("kind", Table::Align::left);
  table.column("begin", Table::Align::left);
  for (const char* title : {"length", "level", "mean W", "lowest W", "highest W", "energy Wh", "readings"})
    table.column(title, Table::Align::right);
  table.column("remarks", Table::Align::left);
  for (const Segment& s : record.segments) {
    std::string level;
    if (s.level_w) level = figure_or_nothing(Figure{*s.level_w, s.uncertainty_w.value_or(0.0)}, "W");
    const std::string what = remarks(s);
    table.row({{std::string(segment_kind_name(s.kind)), kind_tone(s.kind)},
               {local_text(record.shown(s.begin))},
               {duration_text(to_seconds(record.shown(s.end) - record.shown(s.begin)))},
               {level, Tone::strong},
               {number_or_nothing(s.mean_w, "")},
               {number_or_nothing(s.lowest_w, "")},
               {number_or_nothing(s.highest_w, "")},
               {number_or_nothing(s.energy_wh, "")},
               {std::to_string(s.samples)},
               {what.empty() ? " " : what}});
  }
  table.write(context.out, context.style);
}

}  // namespace

Outcome run(Context& context, const SegmentsArguments& arguments) {
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto info = find_run(*store, arguments.run);
  if (!info) return tl::unexpected(info.error());
  const auto record = run_record(*store, *info);
  if (!record) return tl::unexpected(record.error());
  if (context.json) write_json(context, *record);
  if (record->segments.empty())
    return fail(ErrorKind::negative,
                info->origin == storage::RunOrigin::entered
                    ? run_text(*info) + " was entered by hand and has no segments; see nightwatt summary"
                    : run_text(*info) + " has no segments yet; wait for its first readings");
  if (!context.json) write_people(context, *record);
  return 0;
}

}  // namespace nightwatt::query
