#include "context.hpp"
#include "measure/signal/time_text.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

/// How to have the run again: its readings stay where a meter gave them.
std::string way_back(const storage::RunInfo& run, const Calendar& calendar) {
  const std::string device = "--device \"" + (run.device ? device_text(run) : std::string("DEVICE")) + "\"";
  if (run.origin == storage::RunOrigin::entered) return "To have it again: nightwatt enter";
  if (!run.meter || !run.end) return "To have it again: nightwatt import FILE " + device;
  return "Its readings stay; to have it again: nightwatt export --meter " + text::printable(*run.meter) + " --from " +
         unix_text(calendar.shown(run.begin)) + " --to " + unix_text(calendar.shown(*run.end)) +
         " | nightwatt import - " + device;
}

}  // namespace

Outcome run(Context& context, const DropArguments& arguments) {
  if (arguments.old_word) {
    context.err.write("nightwatt: forget is called drop now; the old word goes with the next version\n");
    context.err.flush();
  }
  auto store = context.open_writer();
  if (!store) return tl::unexpected(store.error());
  const auto info = find_run(store->reader(), arguments.run);
  if (!info) return tl::unexpected(info.error());
  const bool entered = info->origin == storage::RunOrigin::entered;
  if (!info->end && !entered)
    return fail(ErrorKind::negative, run_text(*info) + " is still open; close it first with nightwatt end");
  const auto calendar = calendar_of(store->reader(), *info);
  if (!calendar) return tl::unexpected(calendar.error());
  const auto dropped = in_transaction(*store, [&] { return store->apply(storage::ForgetRun{info->id}); });
  if (!dropped) return tl::unexpected(dropped.error());
  if (context.json) {
    JsonWriter(context.out).begin_document().field("dropped", info->id).end_object();
    context.out.write("\n");
    return 0;
  }
  context.out.write("Dropped: " + run_text(*info) + ". " + way_back(*info, *calendar) + "\n");
  return 0;
}

}  // namespace nightwatt::query
