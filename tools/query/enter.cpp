#include <algorithm>
#include <cmath>
#include <optional>

#include "context.hpp"
#include "describe.hpp"
#include "figures/figures.hpp"
#include "measure/signal/decimal.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

/// What one digit of the figures is worth: a display that shows 38 steps by 1 W, one that shows 38.0 by 0.1 W. The
/// coarsest of the figures' digits, as a display has one step; of `40` alone nobody knows that it steps by ten.
double last_digit(const EnterArguments& arguments) {
  std::optional<int> exponent;
  for (const MaybeWord& word : {arguments.idle, arguments.load, arguments.standby}) {
    const auto number = word ? Decimal::parse(*word) : std::nullopt;
    if (number) exponent = std::max<int>(exponent.value_or(number->exponent), number->exponent);
  }
  return std::pow(10.0, exponent.value_or(0));
}

Result<void> take_figures(storage::NewRun& run, const EnterArguments& arguments) {
  const auto idle = maybe_not_negative("--idle", arguments.idle);
  if (!idle) return tl::unexpected(idle.error());
  const auto load = maybe_not_negative("--load", arguments.load);
  if (!load) return tl::unexpected(load.error());
  const auto standby = maybe_not_negative("--standby", arguments.standby);
  if (!standby) return tl::unexpected(standby.error());
  if (!*idle && !*load && !*standby)
    return fail(ErrorKind::input, "no figure is given; give one of --idle, --load and --standby at least");
  if (*idle && *load && **load < **idle)
    return fail(ErrorKind::input, "--load is below --idle; a device under load draws more: are the two exchanged?");
  if (*idle && *standby && **idle < **standby)
    return fail(ErrorKind::input, "--idle is below --standby; a device in standby draws less: are the two exchanged?");
  run.entered_idle_w = *idle;
  run.entered_load_w = *load;
  return {};
}

Result<storage::NewRun> entered_from(const Context& context, const EnterArguments& arguments) {
  storage::NewRun run;
  run.origin = storage::RunOrigin::entered;
  const auto at = maybe_time("--at", arguments.at, context.now());
  if (!at) return tl::unexpected(at.error());
  run.begin = at->value_or(context.now());
  run.pinned = true;
  if (auto checked = text::check_text("the device name", arguments.device, text::name_limit); !checked)
    return tl::unexpected(checked.error());
  run.device = arguments.device;
  if (auto figures = take_figures(run, arguments); !figures) return tl::unexpected(figures.error());
  const auto resolution = maybe_positive("--resolution", arguments.resolution);
  if (!resolution) return tl::unexpected(resolution.error());
  run.traits.resolution_w = resolution->value_or(last_digit(arguments));
  if (arguments.accuracy) {
    auto accuracy = Accuracy::parse(*arguments.accuracy);
    if (!accuracy) return fail(ErrorKind::input, "--accuracy: " + accuracy.error().message);
    run.traits.accuracy = std::move(*accuracy);
  }
  if (auto described = describe(run, arguments); !described) return tl::unexpected(described.error());
  return run;
}

}  // namespace

Outcome run(Context& context, const EnterArguments& arguments) {
  const auto entered = entered_from(context, arguments);
  if (!entered) return tl::unexpected(entered.error());
  auto store = context.open_writer(WhereMissing::make);
  if (!store) return tl::unexpected(store.error());
  const auto standby = maybe_not_negative("--standby", arguments.standby);
  if (!standby) return tl::unexpected(standby.error());
  storage::RunId id = 0;
  const auto stored = in_transaction(*store, [&]() -> Result<void> {
    const auto opened = store->open_run(*entered);
    if (!opened) return tl::unexpected(opened.error());
    id = *opened;
    return *standby ? store->apply(storage::PutEnteredStandby{id, **standby}) : Result<void>{};
  });
  if (!stored) return tl::unexpected(stored.error());
  if (context.json) {
    JsonWriter(context.out).begin_document().field("run", id).end_object();
    context.out.write("\n");
  } else {
    std::string figures;
    const auto add = [&](const char* name, const std::optional<double>& watts) {
      if (watts) figures += std::string(", ") + name + " " + exact_text(*watts) + " W";
    };
    add("standby", *standby);
    add("idle", entered->entered_idle_w);
    add("load", entered->entered_load_w);
    context.out.write("Row " + std::to_string(id) + ": " + text::printable(*entered->device) + figures +
                      ", display step " + exact_text(entered->traits.resolution_w.value_or(0.0)) +
                      (arguments.resolution ? " W" : " W by the digits given (--resolution says otherwise)") +
                      ". nightwatt compare shows it.\n");
  }
  return 0;
}

}  // namespace nightwatt::query
