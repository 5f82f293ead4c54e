#include "figures/run_json.hpp"

#include <string>

namespace nightwatt::figures {
namespace {

void write_states(JsonWriter& json, std::span<const LevelState> states) {
  json.line_break().key("states").begin_array();
  for (const LevelState& state : states)
    json.line_break()
        .begin_object()
        .field("kind", segment_kind_name(state.kind))
        .field("level_w", state.level.value)
        .field("uncertainty_w", state.level.uncertainty)
        .field("time_s", state.time_s)
        .field("times", static_cast<std::int64_t>(state.segments.size()))
        .end_object();
  json.end_array();
}

}  // namespace

void write_figure(JsonWriter& json, std::string_view name, const std::optional<Figure>& figure) {
  json.key(std::string(name) + "_w");
  figure ? json.value(figure->value) : json.null();
  json.key(std::string(name) + "_uncertainty_w");
  figure ? json.value(figure->uncertainty) : json.null();
}

void write_segment(JsonWriter& json, const Segment& s, const Calendar& calendar) {
  json.begin_object();
  json.field("kind", segment_kind_name(s.kind))
      .field("begin", calendar.shown(s.begin))
      .field("end", calendar.shown(s.end));
  json.field("samples", s.samples).field("level_w", s.level_w).field("uncertainty_w", s.uncertainty_w);
  json.field("mean_w", s.mean_w).field("settled_w", s.settled_w).field("settling_s", s.settling_s);
  json.field("lowest_w", s.lowest_w).field("highest_w", s.highest_w).field("energy_wh", s.energy_wh);
  json.field("excursions", s.excursions).field("open", s.open);
  json.field("begin_uncertainty_s", s.begin_uncertainty_s).field("end_uncertainty_s", s.end_uncertainty_s);
  json.field("settling_unfinished", s.settling_unfinished)
      .field("duty", s.duty)
      .field("drift_w_per_h", s.drift_w_per_h);
  json.end_object();
}

void write_segments(JsonWriter& json, std::span<const Segment> segments, const Calendar& calendar) {
  json.begin_array();
  for (const Segment& segment : segments) {
    json.line_break();
    write_segment(json, segment, calendar);
  }
  json.end_array();
}

void write_run_name(JsonWriter& json, const storage::RunInfo& info) {
  json.field("run", info.id).field("device", info.device).field("meter", info.meter);
}

void write_summary(JsonWriter& json, const RunRecord& record, const RunBudgets* budgets) {
  const storage::RunInfo& info = record.info;
  const Summary& s = record.summary;
  json.begin_document();
  write_run_name(json, info);
  json.field("begin", record.shown(info.begin));
  json.key("end");
  info.end ? json.value(record.shown(*info.end)) : json.null();
  json.field("open", !info.end.has_value()).field("samples", s.samples).field("gap_s", s.gap_s);
  json.field("energy_wh", s.energy_wh).field("counter_wh", s.counter_wh);
  write_figure(json, "idle", s.idle);
  write_figure(json, "standby", s.standby);
  write_figure(json, "load", s.load);
  write_figure(json, "sustained", s.sustained);
  write_figure(json, "baseline", s.baseline);
  json.field("peak_w", s.peak_w);
  write_states(json, s.states);
  json.key("segments").begin_object();
  for (std::size_t kind = 0; kind < s.segments.size(); ++kind)
    json.field(segment_kind_name(static_cast<SegmentKind>(kind)), s.segments[kind]);
  json.end_object().key("warnings").begin_array();
  for (const std::string& warning : s.warnings) json.value(warning);
  for (const std::string& missing : missing_texts(s)) json.value(missing);
  json.end_array().field("note", info.note).key("includes").begin_array();
  for (const std::string& item : info.includes) json.value(item);
  json.end_array().key("set").begin_object();
  for (const auto& [key, value] : info.conditions) json.field(key, value);
  json.end_object().key("accuracy");
  info.traits.accuracy ? json.value(info.traits.accuracy->text()) : json.null();
  if (budgets) write_budgets(json, *budgets);
  json.end_object();
}

void write_run(JsonWriter& json, const storage::RunInfo& info, const Calendar& calendar,
               const std::function<void(JsonWriter&)>& more) {
  json.begin_object();
  write_run_name(json, info);
  json.field("begin", calendar.shown(info.begin)).key("end");
  info.end ? json.value(calendar.shown(*info.end)) : json.null();
  json.field("open", !info.end.has_value() && info.origin != storage::RunOrigin::entered);
  json.field("pinned", info.pinned).field("samples", info.samples);
  json.field("entered", info.origin == storage::RunOrigin::entered);
  if (more) more(json);
  json.end_object();
}

}  // namespace nightwatt::figures
