#include "marks.hpp"

#include "measure/signal/time_text.hpp"
#include "recorded.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

Result<MarkTarget> target_run(const storage::StoreReader& store, const std::string& word) {
  const auto info = find_recorded_run(store, word, "instants to mark");
  if (!info) return tl::unexpected(info.error());
  return MarkTarget{info->id, std::nullopt, info->stream};
}

Result<MarkTarget> target_meter(const storage::StoreReader& store, const std::string& meter) {
  const auto stream = find_meter(store, meter);
  if (!stream) return tl::unexpected(stream.error());
  return MarkTarget{std::nullopt, meter, *stream};
}

/// Without --run and --meter: the only meter of the store.
Result<MarkTarget> target_alone(const storage::StoreReader& store) {
  const auto streams = store.streams();
  if (!streams) return tl::unexpected(streams.error());
  std::optional<std::string> only;
  for (const storage::StreamInfo& stream : *streams) {
    if (!stream.meter) continue;
    if (only) return fail(ErrorKind::input, "the store knows several meters; say which with --meter M or --run RUN");
    only = stream.meter;
  }
  if (!only) return fail(ErrorKind::input, "the store knows no meter; say which run with --run RUN and --at TIME");
  return target_meter(store, *only);
}

/// A mark on a run must lie within it.
Result<UtcTime> instant_of_run(const storage::StoreReader& store, storage::RunId run, UtcTime shown, bool given) {
  const auto info = store.run(run);
  if (!info) return tl::unexpected(info.error());
  const auto calendar = calendar_of(store, *info);
  if (!calendar) return tl::unexpected(calendar.error());
  const UtcTime at = calendar->record_time(shown);
  if (at >= info->begin && (!info->end || at <= *info->end)) return at;
  const std::string span =
      local_text(calendar->shown(info->begin)) + (info->end ? " to " + local_text(calendar->shown(*info->end)) : " on");
  return fail(ErrorKind::input, run_text(*info) + " went from " + span +
                                    (given ? "; give a time within it" : "; say when with --at TIME"));
}

}  // namespace

Result<MarkTarget> mark_target(const storage::StoreReader& store, const MaybeWord& run, const MaybeWord& meter) {
  if (run) return target_run(store, *run);
  return meter ? target_meter(store, *meter) : target_alone(store);
}

Result<UtcTime> instant_of(const storage::StoreReader& store, const MarkTarget& target, UtcTime shown, bool given) {
  if (target.run) return instant_of_run(store, *target.run, shown, given);
  const auto calendar = store.calendar(target.stream, shown, shown);
  if (!calendar) return tl::unexpected(calendar.error());
  return calendar->record_time(shown);
}

}  // namespace nightwatt::query
