#include "context.hpp"
#include "figures/known_devices.hpp"
#include "figures/run_json.hpp"
#include "measure/signal/time_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

struct Row {
  storage::RunInfo info;
  Calendar calendar;
  std::optional<Proposal> proposal;
};

Result<void> propose_names(const storage::StoreReader& store, std::vector<Row>& rows) {
  std::optional<KnownDevices> known;
  for (Row& row : rows) {
    if (!wants_name(row.info)) continue;
    if (!known) {
      auto learnt = KnownDevices::of(store);
      if (!learnt) return tl::unexpected(learnt.error());
      known = std::move(*learnt);
      if (known->empty()) return {};
    }
    // Of a run whose figures are damaged nothing is proposed.
    if (auto proposal = known->propose(store, row.info)) row.proposal = std::move(*proposal);
  }
  return {};
}

Result<std::vector<Row>> chosen_rows(Context& context, const RunsArguments& arguments) {
  const auto since = maybe_time("--since", arguments.since, context.now());
  if (!since) return tl::unexpected(since.error());
  const auto until = maybe_time("--until", arguments.until, context.now());
  if (!until) return tl::unexpected(until.error());
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  std::vector<std::string> damaged;
  auto runs = readable_runs(*store, damaged);
  if (!runs) return tl::unexpected(runs.error());
  std::vector<Row> rows;
  for (storage::RunInfo& run : *runs) {
    if (arguments.device && run.device != arguments.device) continue;
    auto calendar = calendar_of(*store, run);
    if (!calendar) {
      damaged.push_back(left_out(run.id, calendar.error().message));
      continue;
    }
    Row row{std::move(run), std::move(*calendar), std::nullopt};
    if (*since && row.info.end && row.calendar.shown(*row.info.end) <= **since) continue;
    if (*until && row.calendar.shown(row.info.begin) >= **until) continue;
    rows.push_back(std::move(row));
  }
  for (const std::string& warning : damaged)
    context.err.write("nightwatt: warning: " + text::printable(warning) + "\n");
  if (auto proposed = propose_names(*store, rows); !proposed) return tl::unexpected(proposed.error());
  return rows;
}

void write_json(Context& context, const std::vector<Row>& rows) {
  JsonWriter json(context.out);
  json.begin_document().key("runs").begin_array();
  for (const Row& row : rows) {
    json.line_break();
    write_run(json, row.info, row.calendar, [&row](JsonWriter& more) {
      more.key("proposal");
      if (row.proposal && row.proposal->device())
        more.begin_object()
            .field("device", *row.proposal->device())
            .field("odds", row.proposal->posterior())
            .end_object();
      else
        more.null();
    });
  }
  json.end_array().end_object();
  context.out.write("\n");
}

/// A name, or the likeliest one with its odds.
Table::Cell device_cell(const Row& row) {
  if (row.info.device || !row.proposal || !row.proposal->device()) return {device_text(row.info), Tone::strong};
  return {text::printable(*row.proposal->device()) + "? " + posterior_text(row.proposal->posterior()), Tone::dim};
}

std::string remarks(const storage::RunInfo& run) {
  std::string text;
  const auto add = [&](std::string_view word) { text.append(text.empty() ? "" : ", ").append(word); };
  switch (run.origin) {
    case storage::RunOrigin::automatic:
      add("automatic");
      break;
    case storage::RunOrigin::by_hand:
      add("by hand");
      break;
    case storage::RunOrigin::imported:
      add("imported");
      break;
    case storage::RunOrigin::entered:
      add("entered");
      break;
  }
  if (run.pinned) add("pinned");
  return text;
}

void write_people(Context& context, const std::vector<Row>& rows) {
  Table table;
  table.column("run", Table::Align::right);
  for (const char* title : {"device", "meter", "begin"}) table.column(title, Table::Align::left);
  for (const char* title : {"length", "readings"}) table.column(title, Table::Align::right);
  table.column("remarks", Table::Align::left);
  for (const Row& row : rows) {
    const bool entered = row.info.origin == storage::RunOrigin::entered;
    std::string length;
    if (row.info.end && !entered)
      length = duration_text(to_seconds(row.calendar.shown(*row.info.end) - row.calendar.shown(row.info.begin)));
    if (!row.info.end && !entered) length = "open";
    table.row({{std::to_string(row.info.id)},
               device_cell(row),
               {row.info.meter ? text::printable(*row.info.meter) : std::string()},
               {local_text(row.calendar.shown(row.info.begin))},
               {length, row.info.end ? Tone::plain : Tone::green},
               {entered ? std::string() : std::to_string(row.info.samples)},
               {remarks(row.info)}});
  }
  table.write(context.out, context.style);
}

}  // namespace

Outcome run(Context& context, const RunsArguments& arguments) {
  const auto rows = chosen_rows(context, arguments);
  if (!rows) return tl::unexpected(rows.error());
  if (context.json) write_json(context, *rows);
  if (rows->empty())
    return fail(ErrorKind::negative, arguments.device || arguments.since || arguments.until
                                         ? "no run matches; nightwatt runs lists them all"
                                         : "the store holds no run yet; record one with nightwattd or import a CSV");
  if (!context.json) {
    write_people(context, *rows);
    for (const Row& row : *rows)
      if (row.proposal && row.proposal->device()) {
        context.out.write("A name with ? is a proposal. Take it: nightwatt name " + std::to_string(row.info.id) +
                          " --accept\n");
        break;
      }
  }
  return 0;
}

}  // namespace nightwatt::query
