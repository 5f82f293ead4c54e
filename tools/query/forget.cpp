#include "commands.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {

Outcome run(Context& context, const ForgetArguments& arguments) {
  auto store = context.open_writer();
  if (!store) return tl::unexpected(store.error());
  const auto info = find_run(*store, arguments.run);
  if (!info) return tl::unexpected(info.error());
  const bool entered = info->origin == storage::RunOrigin::entered;
  if (!info->end && !entered)
    return fail(ErrorKind::negative, run_text(*info) + " is still open; close it first with nightwatt end");
  const auto forgotten = in_transaction(*store, [&] { return store->forget(info->id); });
  if (!forgotten) return tl::unexpected(forgotten.error());
  if (context.json) {
    JsonWriter(context.out).begin_document().field("forgotten", info->id).end_object();
    context.out.write("\n");
    return 0;
  }
  std::string line = "Forgotten: " + run_text(*info) + ".";
  if (info->meter)
    line += " Its readings stay: nightwatt export --meter " + text::printable(*info->meter) + " --from T --to T";
  context.out.write(line + "\n");
  return 0;
}

}  // namespace nightwatt::query
