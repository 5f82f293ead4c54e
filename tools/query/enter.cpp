#include <algorithm>
#include <cmath>
#include <string_view>

#include "commands.hpp"
#include "figures/figures.hpp"
#include "measure/decimal.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

/// What one digit of the figures is worth: a display that shows 38 steps by 1 W, one that shows 38.0 by 0.1 W. The
/// coarser of the two figures' digits, as a display has one step; of `40` alone nobody knows that it steps by ten.
double last_digit(std::string_view idle, std::string_view load) {
  const auto a = Decimal::parse(idle), b = Decimal::parse(load);
  const int exponent = std::max(a ? a->exponent : 0, b ? b->exponent : 0);
  return std::pow(10.0, exponent);
}

Result<storage::NewRun> entered_from(const Context& context, const EnterArguments& arguments) {
  storage::NewRun run;
  run.origin = storage::RunOrigin::entered;
  run.begin = context.now();
  run.pinned = true;
  if (auto checked = text::check_text("the device name", arguments.device, text::name_limit); !checked)
    return tl::unexpected(checked.error());
  run.device = arguments.device;
  const auto idle = not_negative_from("--idle", arguments.idle);
  if (!idle) return tl::unexpected(idle.error());
  const auto load = not_negative_from("--load", arguments.load);
  if (!load) return tl::unexpected(load.error());
  if (*load < *idle)
    return fail(ErrorKind::input, "--load is below --idle; a device under load draws more: are the two exchanged?");
  run.entered_idle_w = *idle;
  run.entered_load_w = *load;
  const auto resolution = maybe_positive("--resolution", arguments.resolution);
  if (!resolution) return tl::unexpected(resolution.error());
  run.traits.resolution_w = resolution->value_or(last_digit(arguments.idle, arguments.load));
  if (arguments.accuracy) {
    auto accuracy = Accuracy::parse(*arguments.accuracy);
    if (!accuracy) return fail(ErrorKind::input, "--accuracy: " + accuracy.error().message);
    run.traits.accuracy = std::move(*accuracy);
  }
  auto circumstances = circumstances_from(arguments.note, arguments.includes, arguments.set);
  if (!circumstances) return tl::unexpected(circumstances.error());
  run.note = std::move(circumstances->note);
  run.includes = std::move(circumstances->includes);
  run.conditions = std::move(circumstances->conditions);
  return run;
}

}  // namespace

Outcome run(Context& context, const EnterArguments& arguments) {
  const auto entered = entered_from(context, arguments);
  if (!entered) return tl::unexpected(entered.error());
  auto store = context.open_writer(WhereMissing::make);
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
    JsonWriter(context.out).begin_document().field("run", id).end_object();
    context.out.write("\n");
  } else {
    context.out.write("Row " + std::to_string(id) + ": " + text::printable(*entered->device) + ", idle " +
                      exact_text(*entered->entered_idle_w) + " W, load " + exact_text(*entered->entered_load_w) +
                      " W, display step " + exact_text(entered->traits.resolution_w.value_or(0.0)) +
                      (arguments.resolution ? " W" : " W by the digits given (--resolution says otherwise)") +
                      ". nightwatt compare shows it.\n");
  }
  return 0;
}

}  // namespace nightwatt::query
