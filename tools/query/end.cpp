#include "context.hpp"
#include "service.hpp"
#include "text/json_text.hpp"

namespace nightwatt::query {

namespace {

/// Whether the meter still shows power: then no run opens by itself until the device was off.
bool still_on(Context& context, storage::RunId id) {
  const auto store = context.open_reader();
  const auto run = store ? store->run(id) : Result<storage::RunInfo>(tl::unexpected(store.error()));
  if (!run) return false;
  const auto last = store->last_reading(run->stream);
  if (!last || !*last) return false;
  const auto power = (*last)->values.get(Quantity::power);
  const double threshold = run->traits.starting_w.value_or(run->traits.resolution_w.value_or(0.0) / 4.0);
  return power && power->value() > threshold;
}

}  // namespace

Outcome run(Context& context, const EndArguments& arguments) {
  const auto at = maybe_time("--at", arguments.at, context.now());
  if (!at) return tl::unexpected(at.error());
  const auto id = ask_for_run(context, daemon::EndRequest{arguments.meter, *at});
  if (!id) return tl::unexpected(id.error());
  if (context.json) {
    JsonWriter(context.out).begin_document().field("run", *id).end_object();
    context.out.write("\n");
  } else {
    context.out.write("Run " + std::to_string(*id) + " ended. Its figures: nightwatt summary " + std::to_string(*id) +
                      "\n");
    if (still_on(context, *id))
      context.out.write(
          "The device is still on: no run opens by itself until it was off. To record on: nightwatt "
          "begin DEVICE; to take the end back afterwards: nightwatt join " +
          std::to_string(*id) + " RUN\n");
  }
  return 0;
}

}  // namespace nightwatt::query
