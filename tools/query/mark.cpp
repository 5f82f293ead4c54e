#include "commands.hpp"
#include "measure/time_text.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

Result<std::optional<SegmentKind>> kind_from(const MaybeWord& word) {
  if (!word) return std::nullopt;
  const auto kind = segment_kind_from_name(*word);
  if (!kind)
    return fail(ErrorKind::input,
                "--kind is " + text::quoted(*word) + "; give off, standby, idle, ramp, plateau or unsteady");
  if (*kind == SegmentKind::gap)
    return fail(ErrorKind::input, "--kind is gap; a gap is where readings are missing and cannot be named");
  return kind;
}

struct Target {
  std::optional<storage::RunId> run;
  std::optional<std::string> meter;
  storage::StreamId stream = 0;
};

Result<Target> target_run(const storage::StoreReader& store, const std::string& word) {
  const auto info = find_run(store, word);
  if (!info) return tl::unexpected(info.error());
  if (info->origin == storage::RunOrigin::entered)
    return fail(ErrorKind::negative, run_text(*info) + " was entered by hand and has no instants to mark");
  return Target{info->id, std::nullopt, info->stream};
}

Result<Target> target_meter(const storage::StoreReader& store, const std::string& meter) {
  const auto stream = store.stream_of_meter(meter);
  if (!stream) return tl::unexpected(stream.error());
  if (!*stream)
    return fail(ErrorKind::negative,
                "no reading of a meter " + text::quoted(meter) + " is in the store; nightwatt status lists the meters");
  return Target{std::nullopt, meter, **stream};
}

/// Without --run and --meter: the only meter of the store.
Result<Target> target_alone(const storage::StoreReader& store) {
  const auto streams = store.streams();
  if (!streams) return tl::unexpected(streams.error());
  std::optional<std::string> only;
  for (const storage::StreamInfo& stream : *streams) {
    if (!stream.meter) continue;
    if (only) return fail(ErrorKind::input, "the store knows several meters; say which with --meter M or --run RUN");
    only = stream.meter;
  }
  if (!only) return fail(ErrorKind::input, "the store knows no meter; say which run with --run RUN and --at TIME");
  return target_meter(store, *only);
}

/// A mark on a run must lie within it.
Result<UtcTime> instant_of_run(const storage::StoreReader& store, storage::RunId run, UtcTime shown, bool given) {
  const auto info = store.run(run);
  if (!info) return tl::unexpected(info.error());
  const auto shift = shown_shift(store, *info);
  if (!shift) return tl::unexpected(shift.error());
  const UtcTime at = shown - *shift;
  if (at >= info->begin && (!info->end || at <= *info->end)) return at;
  const std::string span =
      local_text(info->begin + *shift) + (info->end ? " to " + local_text(*info->end + *shift) : " on");
  return fail(ErrorKind::input, run_text(*info) + " went from " + span +
                                    (given ? "; give a time within it" : "; say when with --at TIME"));
}

/// The instant in the record's time.
Result<UtcTime> instant(const storage::StoreReader& store, const Target& target, UtcTime shown, bool given) {
  if (target.run) return instant_of_run(store, *target.run, shown, given);
  const auto rough = store.shift_at(target.stream, shown);
  if (!rough) return tl::unexpected(rough.error());
  const auto shift = store.shift_at(target.stream, shown - *rough);
  if (!shift) return tl::unexpected(shift.error());
  return shown - *shift;
}

}  // namespace

Outcome run(Context& context, const MarkArguments& arguments) {
  if (auto checked = text::check_text("the mark's text", arguments.text, text::note_limit); !checked)
    return tl::unexpected(checked.error());
  if (arguments.meter && arguments.run) return fail(ErrorKind::input, "give --meter or --run, not both");
  const auto kind = kind_from(arguments.kind);
  if (!kind) return tl::unexpected(kind.error());
  const auto given = maybe_time("--at", arguments.at);
  if (!given) return tl::unexpected(given.error());
  auto store = context.open_writer();
  if (!store) return tl::unexpected(store.error());
  const auto target = arguments.run     ? target_run(*store, *arguments.run)
                      : arguments.meter ? target_meter(*store, *arguments.meter)
                                        : target_alone(*store);
  if (!target) return tl::unexpected(target.error());
  const UtcTime shown = given->value_or(context.now());
  const auto at = instant(*store, *target, shown, given->has_value());
  if (!at) return tl::unexpected(at.error());
  storage::Mark mark;
  mark.run = target->run;
  mark.meter = target->meter;
  mark.at = *at;
  mark.text = arguments.text;
  mark.kind = *kind;
  const auto put = in_transaction(*store, [&] { return store->put_mark(mark); });
  if (!put) return tl::unexpected(put.error());
  if (context.json) {
    JsonWriter json(context.out);
    json.begin_object()
        .field("run", mark.run)
        .field("meter", mark.meter)
        .field("at", shown)
        .field("text", mark.text)
        .key("kind");
    mark.kind ? json.value(segment_kind_name(*mark.kind)) : json.null();
    json.end_object();
    context.out.write("\n");
    return 0;
  }
  context.out.write(
      "Marked " + local_text(shown) +
      (mark.kind ? ": the segment there is " + std::string(segment_kind_name(*mark.kind)) : std::string()) + ".\n");
  return 0;
}

}  // namespace nightwatt::query
