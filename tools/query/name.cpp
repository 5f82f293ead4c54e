#include "commands.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {

Outcome run(Context& context, const NameArguments& arguments) {
  if (auto checked = text::check_text("the device name", arguments.device, text::name_limit); !checked)
    return tl::unexpected(checked.error());
  auto store = context.open_writer();
  if (!store) return tl::unexpected(store.error());
  const auto info = find_run(*store, arguments.run);
  if (!info) return tl::unexpected(info.error());
  const auto named = in_transaction(*store, [&] { return store->set_device(info->id, arguments.device); });
  if (!named) return tl::unexpected(named.error());
  if (context.json) {
    JsonWriter(context.out).begin_object().field("run", info->id).field("device", arguments.device).end_object();
    context.out.write("\n");
  } else {
    context.out.write("Run " + std::to_string(info->id) + " is now " + text::printable(arguments.device) +
                      (info->device ? ", no longer " + device_text(*info) : "") + ".\n");
  }
  return 0;
}

}  // namespace nightwatt::query
