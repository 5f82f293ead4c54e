#include "context.hpp"
#include "text/json_text.hpp"

namespace nightwatt::query {

Outcome run(Context& context, const PinArguments& arguments) {
  auto store = context.open_writer();
  if (!store) return tl::unexpected(store.error());
  const auto info = find_run(store->reader(), arguments.run);
  if (!info) return tl::unexpected(info.error());
  const auto pinned = in_transaction(*store, [&] { return store->apply(storage::PinRun{info->id, !arguments.off}); });
  if (!pinned) return tl::unexpected(pinned.error());
  if (context.json) {
    JsonWriter(context.out).begin_document().field("run", info->id).field("pinned", !arguments.off).end_object();
    context.out.write("\n");
  } else {
    context.out.write(
        "The raw readings of " + run_text(*info) +
        (arguments.off ? " may now make room when the store is full or they are old.\n" : " are kept for ever.\n"));
  }
  return 0;
}

}  // namespace nightwatt::query
