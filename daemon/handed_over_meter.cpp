#include "handed_over_meter.hpp"

#include <algorithm>
#include <utility>
#include <vector>

#include "daemon/meter_recorder.hpp"

namespace nightwatt::daemon {
namespace {

storage::NewRun same_run(const storage::RunInfo& old, storage::StreamId stream, UtcTime begin) {
  storage::NewRun run = old;
  run.stream = stream;
  run.begin = begin;
  return run;
}

}  // namespace

HandedOverMeter hand_over(const storage::StoreWriter& old, const std::string& meter) {
  HandedOverMeter carried;
  carried.meter = meter;
  const auto stream = old.reader().stream_of_meter(meter);
  if (!stream || !*stream) return carried;
  if (const auto last = old.reader().last_reading(**stream); last && *last) carried.last = (*last)->time;
  if (const auto utc_offset = old.reader().utc_offset_at(**stream, carried.last.value_or(UtcTime{})))
    carried.utc_offset = *utc_offset;
  if (const auto state = old.reader().value(auto_state_name(meter))) carried.auto_state = *state;
  const auto runs = old.reader().run_list();
  if (!runs) return carried;
  for (const storage::RunInfo& run : runs->sound)
    if (run.stream == **stream && !run.end) carried.run = run;
  return carried;
}

Result<void> put_handed_over(storage::StoreWriter& fresh, const HandedOverMeter& carried, UtcTime from) {
  const auto stream = fresh.stream_for_meter(carried.meter);
  if (!stream) return tl::unexpected(stream.error());
  if (auto put = fresh.apply(storage::PutUtcOffset{*stream, from, carried.utc_offset}); !put) return put;
  const auto runs = fresh.reader().run_list();
  if (!runs) return tl::unexpected(runs.error());
  const bool room = std::none_of(runs->sound.begin(), runs->sound.end(), [&](const storage::RunInfo& run) {
    return run.stream == *stream && (!run.end || *run.end >= from);
  });
  if (!room) return {};
  if (carried.auto_state)
    if (auto put = fresh.apply(storage::PutValue{auto_state_name(carried.meter), *carried.auto_state}); !put)
      return put;
  if (!carried.run) return {};
  const auto opened = fresh.open_run(same_run(*carried.run, *stream, from));
  return opened ? Result<void>{} : Result<void>(tl::unexpected(opened.error()));
}

}  // namespace nightwatt::daemon
