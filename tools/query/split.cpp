#include "context.hpp"
#include "figures/run_recorder.hpp"
#include "measure/signal/time_text.hpp"
#include "recorded.hpp"
#include "service.hpp"
#include "text/json_text.hpp"

namespace nightwatt::query {
namespace {

/// The two runs that one becomes. A reading right at the cut belongs to the second.
struct Parts {
  storage::RunInfo first;
  storage::RunInfo second;
};

Result<Parts> parts_of(const storage::StoreReader& store, const storage::RunInfo& info, UtcTime at) {
  Parts parts{info, info};
  bool reading_at_cut = false;
  const auto visited = store.readings(info.stream, at, at, [&](const Reading&) {
    reading_at_cut = true;
    return false;
  });
  if (!visited) return tl::unexpected(visited.error());
  parts.first.end = reading_at_cut ? at - Duration{1} : at;
  parts.second.begin = at;
  return parts;
}

/// The new run has the old one's meter and conditions, and no device yet: that there were two is why one splits.
storage::NewRun new_run_of(const storage::RunInfo& info) {
  storage::NewRun run = info;
  run.device.reset();
  run.note.clear();
  run.includes.clear();
  return run;
}

/// Both parts are made anew from their readings before anything is written.
Result<storage::RunId> split_closed(storage::StoreWriter& store, const storage::RunInfo& info, UtcTime at) {
  const auto parts = parts_of(store.reader(), info, at);
  if (!parts) return tl::unexpected(parts.error());
  auto first = figures::RunRecorder::over(store.reader(), parts->first);
  if (!first) return tl::unexpected(first.error());
  auto second = figures::RunRecorder::over(store.reader(), parts->second);
  if (!second) return tl::unexpected(second.error());
  const auto marks = store.reader().marks(info.id);
  if (!marks) return tl::unexpected(marks.error());
  storage::RunId id = 0;
  const auto written = in_transaction(store, [&]() -> Result<void> {
    if (auto cleared = store.apply(storage::ClearRunState{info.id}); !cleared) return cleared;
    if (auto finished = first->finish(store, *parts->first.end); !finished) return finished;
    const auto opened = store.open_run(new_run_of(parts->second));
    if (!opened) return tl::unexpected(opened.error());
    id = *opened;
    second->set_run(id);
    if (auto finished = second->finish(store, *parts->second.end); !finished) return finished;
    for (storage::Mark mark : *marks) {
      if (mark.run != info.id || mark.at < at) continue;
      mark.run = id;
      if (auto put = store.apply(mark); !put) return put;
    }
    return {};
  });
  if (!written) return tl::unexpected(written.error());
  return id;
}

Result<storage::RunId> split_here(Context& context, const storage::RunInfo& info, UtcTime at) {
  auto store = context.open_writer();
  if (!store) return tl::unexpected(store.error());
  return split_closed(*store, info, at);
}

}  // namespace

Outcome run(Context& context, const SplitArguments& arguments) {
  const auto shown = time_from("--at", arguments.at, context.now());
  if (!shown) return tl::unexpected(shown.error());
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto info = find_recorded_run(*store, arguments.run, "readings to split");
  if (!info) return tl::unexpected(info.error());
  const auto calendar = calendar_of(*store, *info);
  if (!calendar) return tl::unexpected(calendar.error());
  const UtcTime at = calendar->record_time(*shown);
  if (at <= info->begin || (info->end && at >= *info->end))
    return fail(ErrorKind::input, run_text(*info) + " went from " + local_text(calendar->shown(info->begin)) +
                                      (info->end ? " to " + local_text(calendar->shown(*info->end)) : " on") +
                                      "; give a time --at within it");
  const auto id =
      info->end ? split_here(context, *info, at) : ask_for_run(context, daemon::SplitRequest{info->id, *shown});
  if (!id) return tl::unexpected(id.error());
  if (context.json) {
    JsonWriter(context.out).begin_document().field("run", info->id).field("new_run", *id).end_object();
    context.out.write("\n");
  } else {
    context.out.write("From " + local_text(*shown) + " on it is run " + std::to_string(*id) +
                      ". Say what it was: nightwatt name " + std::to_string(*id) + " DEVICE\n");
  }
  return 0;
}

}  // namespace nightwatt::query
