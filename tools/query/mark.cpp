#include "commands.hpp"
#include "marks.hpp"
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
                "--kind is " + text::quoted(*word) + "; give off, standby, idle, plateau, ramp, charging or unsteady");
  if (*kind == SegmentKind::gap)
    return fail(ErrorKind::input, "--kind is gap; a gap is where readings are missing and cannot be named");
  return kind;
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
  const auto target = mark_target(*store, arguments.run, arguments.meter);
  if (!target) return tl::unexpected(target.error());
  const UtcTime shown = given->value_or(context.now());
  const auto at = instant_of(*store, *target, shown, given->has_value());
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
    json.begin_document()
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
