#include "commands.hpp"
#include "service.hpp"
#include "text/json_text.hpp"

namespace nightwatt::query {

Outcome run(Context& context, const EndArguments& arguments) {
  const auto at = maybe_time("--at", arguments.at);
  if (!at) return tl::unexpected(at.error());
  const auto id = service_end(context, arguments.meter, *at);
  if (!id) return tl::unexpected(id.error());
  if (context.json) {
    JsonWriter(context.out).begin_document().field("run", *id).end_object();
    context.out.write("\n");
  } else {
    context.out.write("Run " + std::to_string(*id) + " ended. Its figures: nightwatt summary " + std::to_string(*id) +
                      "\n");
  }
  return 0;
}

}  // namespace nightwatt::query
