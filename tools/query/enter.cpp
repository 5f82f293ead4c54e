#include "commands.hpp"
#include "figures.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

Result<storage::NewRun> entered_from(const Context& context, const EnterArguments& arguments) {
  storage::NewRun run;
  run.origin = storage::RunOrigin::entered;
  run.begin = context.now();
  run.pinned = true;
  if (auto checked = text::check_text("the device name", arguments.device, text::name_limit); !checked)
    return tl::unexpected(checked.error());
  run.device = arguments.device;
  const auto idle = number_from("--idle", arguments.idle);
  if (!idle) return tl::unexpected(idle.error());
  const auto load = number_from("--load", arguments.load);
  if (!load) return tl::unexpected(load.error());
  if (*load < *idle)
    return fail(ErrorKind::input, "--load is below --idle; a device under load draws more: are the two exchanged?");
  run.entered_idle_w = *idle;
  run.entered_load_w = *load;
  const auto resolution = maybe_positive("--resolution", arguments.resolution);
  if (!resolution) return tl::unexpected(resolution.error());
  run.traits.resolution_w = *resolution;
  auto note = note_from(arguments.note);
  if (!note) return tl::unexpected(note.error());
  run.note = std::move(*note);
  return run;
}

}  // namespace

Outcome run(Context& context, const EnterArguments& arguments) {
  const auto entered = entered_from(context, arguments);
  if (!entered) return tl::unexpected(entered.error());
  auto store = context.open_writer();
  if (!store) return tl::unexpected(store.error());
  storage::RunId id = 0;
  const auto stored = in_transaction(*store, [&]() -> Result<void> {
    const auto opened = store->open_run(*entered);
    if (!opened) return tl::unexpected(opened.error());
    id = *opened;
    return {};
  });
  if (!stored) return tl::unexpected(stored.error());
  if (context.json) {
    JsonWriter(context.out).begin_object().field("run", id).end_object();
    context.out.write("\n");
  } else {
    context.out.write("Row " + std::to_string(id) + ": " + text::printable(*entered->device) + ", idle " +
                      exact_text(*entered->entered_idle_w) + " W, load " + exact_text(*entered->entered_load_w) +
                      " W. nightwatt compare shows it.\n");
  }
  return 0;
}

}  // namespace nightwatt::query
