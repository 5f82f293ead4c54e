#include "context.hpp"
#include "daemon/control.hpp"
#include "describe.hpp"
#include "service.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

Result<daemon::BeginRequest> request_from(const Context& context, const BeginArguments& arguments) {
  daemon::BeginRequest request;
  if (auto checked = text::check_text("the device name", arguments.device, text::name_limit); !checked)
    return tl::unexpected(checked.error());
  request.device = arguments.device;
  request.meter = arguments.meter;
  if (auto described = describe(request, arguments); !described) return tl::unexpected(described.error());
  const auto at = maybe_time("--at", arguments.at, context.now());
  if (!at) return tl::unexpected(at.error());
  request.at = *at;
  return request;
}

/// The automatic runs that are open now: one of them may end by this. None where the store cannot be read.
std::vector<storage::RunInfo> open_automatic_runs(Context& context) {
  std::vector<storage::RunInfo> open;
  const auto store = context.open_reader();
  auto runs = store ? store->run_list() : Result<storage::RunList>(tl::unexpected(store.error()));
  if (!runs) return open;
  for (storage::RunInfo& run : runs->sound)
    if (!run.end && run.origin == storage::RunOrigin::automatic) open.push_back(std::move(run));
  return open;
}

/// Of those, the one that is no longer open; the service ends it when another begins on its meter.
std::optional<storage::RunInfo> ended_of(Context& context, const std::vector<storage::RunInfo>& before,
                                         storage::RunId begun) {
  const auto store = context.open_reader();
  const auto run = store ? store->run(begun) : Result<storage::RunInfo>(tl::unexpected(store.error()));
  if (!run) return std::nullopt;
  for (const storage::RunInfo& info : before) {
    if (info.stream != run->stream) continue;
    const auto now = store->run(info.id);
    if (!now || now->end) return info;
  }
  return std::nullopt;
}

}  // namespace

Outcome run(Context& context, const BeginArguments& arguments) {
  const auto request = request_from(context, arguments);
  if (!request) return tl::unexpected(request.error());
  const auto open_before = open_automatic_runs(context);
  const auto id = ask_for_run(context, *request);
  if (!id) return tl::unexpected(id.error());
  const auto ended = ended_of(context, open_before, *id);
  if (context.json) {
    JsonWriter json(context.out);
    json.begin_document().field("run", *id).key("ended");
    ended ? json.value(ended->id) : json.null();
    json.end_object();
    context.out.write("\n");
  } else {
    context.out.write("Run " + std::to_string(*id) + " began: " + text::printable(request->device) +
                      ". Close it with nightwatt end.\n");
    if (ended)
      context.out.write("The automatic " + run_text(*ended) + " ended there; to have both in one: nightwatt join " +
                        std::to_string(ended->id) + " " + std::to_string(*id) + "\n");
  }
  return 0;
}

}  // namespace nightwatt::query
