#include "context.hpp"
#include "figures/known_devices.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

Outcome give(Context& context, storage::StoreWriter& store, const storage::RunInfo& info, const std::string& device) {
  const auto named = in_transaction(store, [&] { return store.apply(storage::NameRun{info.id, device}); });
  if (!named) return tl::unexpected(named.error());
  if (context.json) {
    JsonWriter(context.out).begin_document().field("run", info.id).field("device", device).end_object();
    context.out.write("\n");
  } else {
    context.out.write("Run " + std::to_string(info.id) + " is now " + text::printable(device) +
                      (info.device ? ", no longer " + device_text(info) : "") + ".\n");
  }
  return 0;
}

Result<Proposal> proposal_for(const storage::StoreReader& store, const storage::RunInfo& info) {
  if (!wants_name(info))
    return fail(ErrorKind::negative, info.device
                                         ? run_text(info) + " has its name already; nightwatt name " +
                                               std::to_string(info.id) + " DEVICE gives it another"
                                         : run_text(info) + " is still open: a proposal is made when it is over");
  const auto known = KnownDevices::of(store);
  if (!known) return tl::unexpected(known.error());
  if (known->empty())
    return fail(ErrorKind::negative, "no run has a device's name yet, so none can be known again; nightwatt name " +
                                         std::to_string(info.id) + " DEVICE gives the first");
  return known->propose(store, info);
}

void show(Context& context, const storage::RunInfo& info, const Proposal& proposal) {
  if (context.json) {
    JsonWriter json(context.out);
    json.begin_document().field("run", info.id).key("devices").begin_array();
    for (const auto& [device, posterior] : proposal.devices)
      json.line_break().begin_object().field("device", device).field("odds", posterior).end_object();
    json.end_array().field("none", proposal.none).key("proposal");
    proposal.device() ? json.value(*proposal.device()) : json.null();
    json.end_object();
    context.out.write("\n");
    return;
  }
  for (const auto& [device, posterior] : proposal.devices)
    context.out.write("  " + posterior_text(posterior) + "  " + text::printable(device) + "\n");
  context.out.write("  " + posterior_text(proposal.none) + "  none of these\n");
  const std::string id = std::to_string(info.id);
  if (proposal.device())
    context.out.write("Take it: nightwatt name " + id + " --accept\n");
  else
    context.out.write("Not sure enough for a proposal. Name it: nightwatt name " + id + " DEVICE\n");
}

}  // namespace

Outcome run(Context& context, const NameArguments& arguments) {
  if (arguments.device && arguments.accept)
    return fail(ErrorKind::input, "name got a device and --accept; give one of the two");
  if (arguments.device)
    if (auto checked = text::check_text("the device name", *arguments.device, text::name_limit); !checked)
      return tl::unexpected(checked.error());
  if (!arguments.device && !arguments.accept) {
    const auto store = context.open_reader();
    if (!store) return tl::unexpected(store.error());
    const auto info = find_run(*store, arguments.run);
    if (!info) return tl::unexpected(info.error());
    const auto proposal = proposal_for(*store, *info);
    if (!proposal) return tl::unexpected(proposal.error());
    show(context, *info, *proposal);
    return proposal->device() ? 0 : 1;
  }
  auto store = context.open_writer();
  if (!store) return tl::unexpected(store.error());
  const auto info = find_run(store->reader(), arguments.run);
  if (!info) return tl::unexpected(info.error());
  if (arguments.device) return give(context, *store, *info, *arguments.device);
  const auto proposal = proposal_for(store->reader(), *info);
  if (!proposal) return tl::unexpected(proposal.error());
  if (!proposal->device())
    return fail(ErrorKind::negative, "there is no proposal to accept for " + run_text(*info) + ": the likeliest has " +
                                         posterior_text(proposal->posterior()) + "; nightwatt name " +
                                         std::to_string(info->id) + " DEVICE names it");
  return give(context, *store, *info, *proposal->device());
}

}  // namespace nightwatt::query
