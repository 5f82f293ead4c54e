#include "chart.hpp"
#include "context.hpp"
#include "figures/run_json.hpp"
#include "measure/signal/time_text.hpp"
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

/// What a row has no column for; `wide`: all of it.
std::string remarks(const RunRecord& record, const Segment& s, bool wide) {
  std::string text;
  const auto add = [&](const std::string& remark) { text += (text.empty() ? "" : ", ") + remark; };
  if (s.settled_w) add("settled at " + reading_text(*s.settled_w, record.step_w, "W", 1));
  if (wide && s.settled_w && s.settling_s) text += " after " + duration_text({*s.settling_s});
  if (s.settling_unfinished) add("not settled");
  if (s.duty) add("cycling, " + number_text(*s.duty * 100.0, "%") + " high");
  if (wide && s.excursions > 0) add(std::to_string(s.excursions) + (s.excursions == 1 ? " excursion" : " excursions"));
  if (s.open) add("open");
  return text;
}

/// When a segment began: of `2026-01-05 22:10:00 +01:00` the clock, with the day where the run has more than one.
std::string begin_text(const RunRecord& record, const Segment& segment, bool wide) {
  constexpr std::size_t date_length = 10, month_at = 5, clock_at = 11, clock_length = 8;
  const std::string whole = local_text(record.shown(segment.begin));
  if (wide) return whole;
  const auto day_of = [&](UtcTime time) { return local_text(record.shown(time)).substr(0, date_length); };
  const bool one_day = day_of(record.segments.front().begin) == day_of(record.segments.back().end);
  return (one_day ? "" : whole.substr(month_at, date_length - month_at) + " ") + whole.substr(clock_at, clock_length);
}

std::vector<Table::Cell> cells_of(const RunRecord& record, const Segment& s, bool wide) {
  const auto watts = [&](const std::optional<double>& value, int more_digits) {
    return value ? reading_text(*value, record.step_w, "", more_digits) : std::string();
  };
  std::vector<Table::Cell> cells = {{std::string(segment_kind_name(s.kind)), kind_tone(s.kind)},
                                    {begin_text(record, s, wide)},
                                    {duration_text(to_seconds(record.shown(s.end) - record.shown(s.begin)))},
                                    {figure_or_nothing(figures::level_of(record, s), "W"), Tone::strong}};
  if (wide) cells.push_back({watts(s.mean_w, 1)});
  cells.push_back({watts(s.lowest_w, 0)});
  cells.push_back({watts(s.highest_w, 0)});
  if (wide) {
    cells.push_back({number_or_nothing(s.energy_wh, "")});
    cells.push_back({std::to_string(s.samples)});
  }
  const std::string what = remarks(record, s, wide);
  cells.push_back({what.empty() ? " " : what});
  return cells;
}

void write_people(Context& context, const RunRecord& record, bool wide) {
  context.out.write(toned(context.style, Tone::strong, "Segments of " + run_text(record.info)) +
                    (record.info.meter ? " on " + text::printable(*record.info.meter) : "") +
                    (wide ? "" : ", from " + local_text(record.shown(record.segments.front().begin))) + "\n");
  Table table;
  table.column("kind", Table::Align::left);
  table.column("begin", Table::Align::left);
  std::vector<const char*> titles = {"length", "level", "lowest W", "highest W"};
  if (wide) titles = {"length", "level", "mean W", "lowest W", "highest W", "energy Wh", "readings"};
  for (const char* title : titles) table.column(title, Table::Align::right);
  table.column("remarks", Table::Align::left);
  for (const Segment& s : record.segments) table.row(cells_of(record, s, wide));
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
  if (!context.json) write_people(context, *record, arguments.wide);
  return 0;
}

}  // namespace nightwatt::query
