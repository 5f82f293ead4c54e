#include "context.hpp"
#include "figures/run_recorder.hpp"
#include "measure/signal/time_text.hpp"
#include "service.hpp"
#include "storage/run_edit.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

/// Between two runs that may be joined no third one lies, and both are of one meter.
Result<void> check_neighbours(const storage::StoreReader& store, const storage::RunInfo& first,
                              const storage::RunInfo& second) {
  const auto no = [&](const std::string& why) {
    return fail(ErrorKind::input, run_text(first) + " and " + run_text(second) + " cannot be one run: " + why);
  };
  if (first.id == second.id) return no("they are one already");
  if (first.stream == 0 || second.stream == 0) return no("a row entered by hand has no readings");
  if (first.stream != second.stream) return no("they are not of one meter");
  if (!first.end || second.begin < *first.end)
    return no("the second must begin after the first has ended; are they exchanged?");
  const auto between = storage::run_between(store, first, second.begin);
  if (!between) return tl::unexpected(between.error());
  if (!*between) return {};
  const auto other = store.run((*between)->run);
  if (other) return no(run_text(*other) + " lies between them");
  return no("run " + std::to_string((*between)->run) + " is damaged and may lie between them");
}

/// The whole is made anew from its readings before anything is written, so that its segments are those it would have
/// had if it had never been two.
Result<void> join_closed(storage::StoreWriter& store, const storage::RunInfo& first, const storage::RunInfo& second) {
  storage::RunInfo whole = first;
  whole.end = second.end;
  auto builder = figures::RunRecorder::over(store.reader(), whole);
  if (!builder) return tl::unexpected(builder.error());
  return in_transaction(store, [&]() -> Result<void> {
    if (auto taken = storage::take_into(store, first, second.id, second.end); !taken) return taken;
    return builder->finish(store, *second.end);
  });
}

Result<void> join_here(Context& context, const storage::RunInfo& first, const storage::RunInfo& second) {
  auto store = context.open_writer();
  if (!store) return tl::unexpected(store.error());
  return join_closed(*store, first, second);
}

/// What the second run had of its own goes; a person may want it back.
std::string what_goes(const storage::RunInfo& first, const storage::RunInfo& second) {
  std::string gone;
  if (second.device && first.device && second.device != first.device)
    gone = " Its name " + device_text(second) + " is gone.";
  if (!second.note.empty() && !first.note.empty() && second.note != first.note)
    gone += " Its note " + text::quoted(second.note) + " is gone.";
  return gone;
}

}  // namespace

Outcome run(Context& context, const JoinArguments& arguments) {
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto first = find_run(*store, arguments.run);
  if (!first) return tl::unexpected(first.error());
  const auto second = find_run(*store, arguments.next);
  if (!second) return tl::unexpected(second.error());
  if (auto neighbours = check_neighbours(*store, *first, *second); !neighbours)
    return tl::unexpected(neighbours.error());
  if (second->end) {
    if (auto joined = join_here(context, *first, *second); !joined) return tl::unexpected(joined.error());
  } else if (const auto joined = ask_for_run(context, daemon::JoinRequest{first->id}); !joined) {
    return tl::unexpected(joined.error());
  }
  if (context.json) {
    JsonWriter(context.out).begin_document().field("run", first->id).field("joined", second->id).end_object();
    context.out.write("\n");
    return 0;
  }
  const auto calendar = calendar_of(*store, *second);
  if (!calendar) return tl::unexpected(calendar.error());
  const auto whole = store->run(first->id);
  if (!whole) return tl::unexpected(whole.error());
  context.out.write("Run " + std::to_string(second->id) + " is a part of " + run_text(*whole) + " now." +
                    what_goes(*first, *second) + " To part them again: nightwatt split " + std::to_string(first->id) +
                    " --at " + unix_text(calendar->shown(second->begin)) + "\n");
  return 0;
}

}  // namespace nightwatt::query
