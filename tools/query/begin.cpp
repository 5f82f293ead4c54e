#include "commands.hpp"
#include "daemon/control.hpp"
#include "service.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

Result<BeginRequest> request_from(const BeginArguments& arguments) {
  BeginRequest request;
  if (auto checked = text::check_text("the device name", arguments.device, text::name_limit); !checked)
    return tl::unexpected(checked.error());
  request.device = arguments.device;
  request.meter = arguments.meter;
  auto circumstances = circumstances_from(arguments.note, arguments.includes, arguments.set);
  if (!circumstances) return tl::unexpected(circumstances.error());
  request.note = std::move(circumstances->note);
  request.includes = std::move(circumstances->includes);
  request.conditions = std::move(circumstances->conditions);
  const auto at = maybe_time("--at", arguments.at);
  if (!at) return tl::unexpected(at.error());
  request.at = *at;
  return request;
}

}  // namespace

Outcome run(Context& context, const BeginArguments& arguments) {
  const auto request = request_from(arguments);
  if (!request) return tl::unexpected(request.error());
  const auto id = service_begin(context, *request);
  if (!id) return tl::unexpected(id.error());
  if (context.json) {
    JsonWriter(context.out).begin_document().field("run", *id).end_object();
    context.out.write("\n");
  } else {
    context.out.write("Run " + std::to_string(*id) + " began: " + text::printable(request->device) +
                      ". Close it with nightwatt end.\n");
  }
  return 0;
}

}  // namespace nightwatt::query
