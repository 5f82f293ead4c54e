#include <algorithm>

#include "chart.hpp"
#include "context.hpp"
#include "figures/curve.hpp"
#include "figures/run_json.hpp"
#include "follow.hpp"
#include "measure/signal/time_text.hpp"
#include "recorded.hpp"

namespace nightwatt::query {
namespace {

constexpr std::size_t json_points = 1000;  // more are the readings themselves: nightwatt export

Result<Window> window_of(const Context& context, const storage::StoreReader& store, const RunRecord& record,
                         const TraceArguments& arguments) {
  const auto from = maybe_time("--from", arguments.from, context.now());
  if (!from) return tl::unexpected(from.error());
  const auto to = maybe_time("--to", arguments.to, context.now());
  if (!to) return tl::unexpected(to.error());
  auto window = whole_run(store, record);
  if (!window) return window;
  if (*from) window->from = std::max(window->from, record.calendar.record_time(**from));
  if (*to) window->to = std::min(window->to, record.calendar.record_time(**to));
  if (window->from > window->to)
    return fail(ErrorKind::negative,
                run_text(record.info) + " has nothing there: it went from " +
                    local_text(record.shown(record.info.begin)) +
                    (record.info.end ? " to " + local_text(record.shown(*record.info.end)) : " on"));
  return window;
}

/// The readings themselves where they are few enough.
Result<std::vector<Bin>> points_of(const storage::StoreReader& store, const RunRecord& record, Window window) {
  const auto sums = store.aggregates(record.info.stream, Quantity::power, window.from, window.to);
  if (!sums) return tl::unexpected(sums.error());
  const auto whole = store.raw_is_whole(record.info.stream, window.from, window.to);
  if (!whole) return tl::unexpected(whole.error());
  if (!*whole || sums->count > static_cast<std::int64_t>(json_points))
    return bins_of(store, record, window, json_points);
  std::vector<Bin> points;
  const auto visited = store.readings(record.info.stream, window.from, window.to, [&](const Reading& reading) {
    if (const auto power = reading.values.get(Quantity::power))
      points.push_back({reading.time, 1, power->value(), power->value(), power->value(), std::nullopt});
    return true;
  });
  if (!visited) return tl::unexpected(visited.error());
  return points;
}

void write_json(Context& context, const RunRecord& record, const std::vector<Bin>& points, Window window) {
  JsonWriter json(context.out);
  json.begin_document();
  write_run_name(json, record.info);
  json.key("points").begin_array();
  for (const Bin& point : points) {
    if (point.samples == 0) continue;
    json.line_break().begin_object().field("time", record.shown(point.begin)).field("power_w", point.mean_w);
    json.field("lowest_w", point.lowest_w)
        .field("highest_w", point.highest_w)
        .field("samples", point.samples)
        .end_object();
  }
  json.end_array().key("segments");
  std::vector<Segment> within;
  for (const Segment& segment : record.segments)
    if (segment.begin <= window.to && segment.end >= window.from) within.push_back(segment);
  write_segments(json, within, record.calendar);
  json.end_object();
  context.out.write("\n");
}

}  // namespace

Outcome run(Context& context, const TraceArguments& arguments) {
  if (arguments.follow && (arguments.from || arguments.to))
    return fail(ErrorKind::input, "--follow shows the last minutes: leave --from and --to out");
  if (arguments.every && !arguments.follow) return fail(ErrorKind::input, "--every goes with --follow");
  if (arguments.follow) return follow(context, {arguments.run, arguments.every});
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto info = find_recorded_run(*store, arguments.run, "curve; see nightwatt summary");
  if (!info) return tl::unexpected(info.error());
  const auto record = run_record(*store, *info);
  if (!record) return tl::unexpected(record.error());
  const auto window = window_of(context, *store, *record, arguments);
  if (!window) return tl::unexpected(window.error());
  const auto bins = context.json ? points_of(*store, *record, *window)
                                 : bins_of(*store, *record, *window, chart_columns(context.style));
  if (!bins) return tl::unexpected(bins.error());
  if (context.json) write_json(context, *record, *bins, *window);
  if (std::none_of(bins->begin(), bins->end(), [](const Bin& bin) { return bin.samples > 0; }))
    return fail(ErrorKind::negative, run_text(*info) + " has no readings there");
  if (context.json) return 0;
  context.out.write(toned(context.style, Tone::strong, "Power of " + run_text(record->info)) + "\n");
  write_chart(context.out, context.style, *bins, record->shown(window->from), record->shown(window->to));
  return 0;
}

}  // namespace nightwatt::query
