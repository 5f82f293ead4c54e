#include <cstdlib>

#include "context.hpp"
#include "marks.hpp"
#include "measure/signal/time_text.hpp"
#include "service.hpp"
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

/// What a mark concerns, and when.
struct Place {
  MarkTarget target;
  UtcTime shown;
  UtcTime at;  ///< in the record's time
};
Result<Place> place_of(Context& context, const storage::StoreReader& store, const MarkArguments& arguments) {
  const auto given = maybe_time("--at", arguments.at, context.now());
  if (!given) return tl::unexpected(given.error());
  auto target = mark_target(store, arguments.run, arguments.meter);
  if (!target) return tl::unexpected(target.error());
  const UtcTime shown = given->value_or(context.now());
  const auto at = instant_of(store, *target, shown, given->has_value());
  if (!at) return tl::unexpected(at.error());
  return Place{std::move(*target), shown, *at};
}

void write_mark(Context& context, const storage::Mark& mark, UtcTime shown) {
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
}

/// The run that holds the instant, for marks pinned to a run or to its meter.
Result<std::optional<storage::RunId>> run_at(const storage::StoreReader& store, const Place& place) {
  if (place.target.run) return place.target.run;
  const auto runs = store.run_list();
  if (!runs) return tl::unexpected(runs.error());
  for (const storage::RunInfo& run : runs->sound)
    if (run.stream == place.target.stream && run.begin <= place.at && (!run.end || place.at <= *run.end)) return run.id;
  return std::nullopt;
}

/// Marks lie where a hand put them, to the second: one is meant where it lies nearest, within a second.
constexpr std::int64_t near_us = 1'000'000;

/// Where the nearest mark lies, as --at takes it.
std::string no_mark_text(const Place& place, storage::RunId run, const storage::Mark* nearest) {
  std::string text = "there is no mark of run " + std::to_string(run) + " at " + local_text(place.shown);
  if (nearest == nullptr) return text + ", nor at any other time";
  const UtcTime shown = nearest->at + (place.shown - place.at);
  return text + "; the nearest is " + text::quoted(nearest->text) + ": --at " + unix_text(shown);
}

Outcome take_back(Context& context, const storage::StoreReader& store, const Place& place,
                  const MarkArguments& arguments) {
  const auto run = run_at(store, place);
  if (!run) return tl::unexpected(run.error());
  if (!*run) return fail(ErrorKind::negative, "no run holds " + local_text(place.shown) + "; say which with --run RUN");
  const auto marks = store.marks(**run);
  if (!marks) return tl::unexpected(marks.error());
  const storage::Mark* nearest = nullptr;
  for (const storage::Mark& mark : *marks) {
    if (arguments.text && mark.text != *arguments.text) continue;
    if (nearest == nullptr || std::abs(mark.at.us - place.at.us) <= std::abs(nearest->at.us - place.at.us))
      nearest = &mark;
  }
  if (nearest == nullptr || std::abs(nearest->at.us - place.at.us) >= near_us)
    return fail(ErrorKind::negative, no_mark_text(place, **run, nearest));
  if (auto removed = remove_mark(context, nearest->id); !removed) return tl::unexpected(removed.error());
  if (context.json) {
    write_mark(context, *nearest, place.shown);
    return 0;
  }
  context.out.write("Taken back: " + text::quoted(nearest->text) +
                    (nearest->kind ? " (" + std::string(segment_kind_name(*nearest->kind)) + ")" : std::string()) +
                    " at " + local_text(place.shown) + ".\n");
  return 0;
}

}  // namespace

Outcome run(Context& context, const MarkArguments& arguments) {
  if (!arguments.text && !arguments.remove) return fail(ErrorKind::input, "TEXT is missing; say what to note");
  if (arguments.remove && !arguments.at)
    return fail(ErrorKind::input, "--remove needs --at TIME: which mark is to go?");
  if (arguments.text)
    if (auto checked = text::check_text("the mark's text", *arguments.text, text::note_limit); !checked)
      return tl::unexpected(checked.error());
  if (arguments.meter && arguments.run) return fail(ErrorKind::input, "give --meter or --run, not both");
  const auto kind = kind_from(arguments.kind);
  if (!kind) return tl::unexpected(kind.error());
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto place = place_of(context, *store, arguments);
  if (!place) return tl::unexpected(place.error());
  if (arguments.remove) return take_back(context, *store, *place, arguments);
  storage::Mark mark;
  mark.run = place->target.run;
  mark.meter = place->target.meter;
  mark.at = place->at;
  mark.text = *arguments.text;
  mark.kind = *kind;
  if (auto put = put_mark(context, mark); !put) return tl::unexpected(put.error());
  if (context.json) {
    write_mark(context, mark, place->shown);
    return 0;
  }
  context.out.write(
      "Marked " + local_text(place->shown) +
      (mark.kind ? ": the segment there is " + std::string(segment_kind_name(*mark.kind)) : std::string()) + ".\n");
  return 0;
}

}  // namespace nightwatt::query
