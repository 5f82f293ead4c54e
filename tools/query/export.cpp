#include <algorithm>

#include "context.hpp"
#include "csv/csv_reader.hpp"
#include "csv/csv_writer.hpp"
#include "figures/run_json.hpp"
#include "measure/signal/time_text.hpp"
#include "recorded.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"
#include "whole_file.hpp"

namespace nightwatt::query {
namespace {

enum class Format : std::uint8_t { csv, json, ndjson };

/// What goes out: the readings of a stream within a window, and what they belong to.
struct Selection {
  std::optional<storage::RunInfo> run;
  std::string meter;
  storage::StreamId stream = 0;
  UtcTime from{0};
  UtcTime to = csv::time_limit;
  Calendar calendar;
  Duration end_utc_offset{0};  ///< of its last stretch

  /// Times of a file must rise: where an outage of unknown length is in the way, all is shown by the last stretch.
  [[nodiscard]] Duration utc_offset_at(UtcTime time) const {
    return calendar.rises() ? calendar.utc_offset_at(time) : end_utc_offset;
  }
  [[nodiscard]] UtcTime record_time(UtcTime shown) const {
    return calendar.rises() ? calendar.record_time(shown) : shown - end_utc_offset;
  }
};

Result<Format> format_from(const Context& context, const MaybeWord& word) {
  const std::string name = word.value_or(context.json ? "json" : "csv");
  if (name == "csv") return Format::csv;
  if (name == "json") return Format::json;
  if (name == "ndjson") return Format::ndjson;
  return fail(ErrorKind::input, "--format is " + text::quoted(name) + "; give csv, json or ndjson");
}

Result<Selection> of_run(const storage::StoreReader& store, const std::string& word) {
  Selection selection;
  auto run = find_recorded_run(store, word, "readings; see nightwatt summary");
  if (!run) return tl::unexpected(run.error());
  auto calendar = calendar_of(store, *run);
  if (!calendar) return tl::unexpected(calendar.error());
  selection.end_utc_offset = calendar->utc_offset_at(run->end.value_or(csv::time_limit));
  selection.calendar = std::move(*calendar);
  selection.stream = run->stream;
  selection.from = run->begin;
  if (run->end) selection.to = *run->end;
  selection.run = std::move(*run);
  return selection;
}

Result<Selection> of_meter(const storage::StoreReader& store, const std::string& meter) {
  Selection selection;
  selection.meter = meter;
  const auto stream = find_meter(store, meter);
  if (!stream) return tl::unexpected(stream.error());
  selection.stream = *stream;
  auto calendar = store.calendar(selection.stream, UtcTime{0}, csv::time_limit);
  if (!calendar) return tl::unexpected(calendar.error());
  selection.end_utc_offset = calendar->utc_offset_at(csv::time_limit);
  selection.calendar = std::move(*calendar);
  return selection;
}

Result<Selection> selection_from(const Context& context, const storage::StoreReader& store,
                                 const ExportArguments& arguments) {
  if (arguments.run.has_value() == arguments.meter.has_value())
    return fail(ErrorKind::input,
                "give either RUN or --meter M (with --from T and --to T); see nightwatt export --help");
  if (arguments.meter && arguments.segments)
    return fail(ErrorKind::input, "segments belong to a run; give RUN instead of --meter");
  const auto from = maybe_time("--from", arguments.from, context.now());
  if (!from) return tl::unexpected(from.error());
  const auto to = maybe_time("--to", arguments.to, context.now());
  if (!to) return tl::unexpected(to.error());
  auto selection = arguments.run ? of_run(store, *arguments.run) : of_meter(store, *arguments.meter);
  if (!selection) return selection;
  if (*from) selection->from = std::max(selection->from, selection->record_time(**from));
  if (*to) selection->to = std::min(selection->to, selection->record_time(**to));
  return selection;
}

/// The quantities the window holds beside power, from the sums kept beside the blocks.
Result<std::vector<Quantity>> others_in(const storage::StoreReader& store, const Selection& selection, bool& any) {
  std::vector<Quantity> others;
  for (const Quantity quantity : all_quantities) {
    if (selection.from > selection.to) break;
    const auto sums = store.aggregates(selection.stream, quantity, selection.from, selection.to);
    if (!sums) return tl::unexpected(sums.error());
    any = any || sums->count > 0;
    if (quantity != Quantity::power && sums->count > 0) others.push_back(quantity);
  }
  return others;
}

/// Reads the window to its end and shows nothing of it: a damaged block far down is found before the first line is out.
Result<void> is_readable(const storage::StoreReader& store, const Selection& selection) {
  return store.readings(selection.stream, selection.from, selection.to, [](const Reading&) { return true; });
}

/// Readings go out as they come; an answer that can no longer be written stops it.
template <class Row>
Result<void> each_reading(Context& context, const storage::StoreReader& store, const Selection& selection,
                          const Row& row) {
  return store.readings(selection.stream, selection.from, selection.to, [&](const Reading& reading) {
    row(reading);
    return !context.out.failed();
  });
}

Result<void> write_csv(Context& context, const storage::StoreReader& store, const Selection& selection,
                       const std::vector<Quantity>& others) {
  std::string line;
  csv::append_header(line, others);
  context.out.write(line);
  return each_reading(context, store, selection, [&](const Reading& reading) {
    line.clear();
    csv::append_row(line, reading, selection.utc_offset_at(reading.time), others);
    context.out.write(line);
  });
}

void write_reading(JsonWriter& json, const Reading& reading, Duration utc_offset) {
  json.begin_object().field("time", reading.time + utc_offset);
  for (const Quantity quantity : all_quantities)
    if (const auto value = reading.values.get(quantity)) json.field(quantity_column(quantity), *value);
  json.end_object();
}

/// An object a line, for what reads as it comes.
Result<void> write_lines(Context& context, const storage::StoreReader& store, const Selection& selection) {
  return each_reading(context, store, selection, [&](const Reading& reading) {
    JsonWriter json(context.out);
    write_reading(json, reading, selection.utc_offset_at(reading.time));
    context.out.write("\n");
  });
}

Result<void> write_json(Context& context, const storage::StoreReader& store, const Selection& selection) {
  JsonWriter json(context.out);
  json.begin_document().key("run");
  selection.run ? json.value(selection.run->id) : json.null();
  json.key("device");
  selection.run ? json.value(selection.run->device) : json.null();
  json.key("meter");
  selection.run ? json.value(selection.run->meter) : json.value(selection.meter);
  json.key("readings").begin_array();
  const auto written = each_reading(context, store, selection, [&](const Reading& reading) {
    json.line_break();
    write_reading(json, reading, selection.utc_offset_at(reading.time));
  });
  json.end_array().end_object();
  context.out.write("\n");
  return written;
}

void write_segment_rows(Context& context, const RunRecord& record) {
  context.out.write(
      "kind,begin,end,samples,level_w,uncertainty_w,mean_w,settled_w,settling_s,lowest_w,highest_w,energy_wh,"
      "excursions\n");
  for (const Segment& s : record.segments) {
    context.out.write(std::string(segment_kind_name(s.kind)) + "," + utc_text(record.shown(s.begin)) + "," +
                      utc_text(record.shown(s.end)) + "," + std::to_string(s.samples));
    for (const auto& figure :
         {s.level_w, s.uncertainty_w, s.mean_w, s.settled_w, s.settling_s, s.lowest_w, s.highest_w, s.energy_wh}) {
      context.out.write(",");
      if (figure) context.out.write(exact_text(*figure));
    }
    context.out.write("," + std::to_string(s.excursions) + "\n");
  }
}

Result<void> write_segments_of(Context& context, const storage::StoreReader& store, const Selection& selection,
                               Format format) {
  const auto record = run_record(store, *selection.run);
  if (!record) return tl::unexpected(record.error());
  if (format == Format::csv) {
    write_segment_rows(context, *record);
    return {};
  }
  if (format == Format::ndjson) {
    for (const Segment& segment : record->segments) {
      JsonWriter json(context.out);
      write_segment(json, segment, record->calendar);
      context.out.write("\n");
    }
    return {};
  }
  JsonWriter json(context.out);
  json.begin_document();
  write_run_name(json, record->info);
  json.key("segments");
  write_segments(json, record->segments, record->calendar);
  json.end_object();
  context.out.write("\n");
  return {};
}

Outcome export_to(Context& context, const ExportArguments& arguments) {
  const auto format = format_from(context, arguments.format);
  if (!format) return tl::unexpected(format.error());
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto moment = store->snapshot();
  if (!moment) return tl::unexpected(moment.error());
  const auto selection = selection_from(context, *store, arguments);
  if (!selection) return tl::unexpected(selection.error());
  Result<void> written;
  if (arguments.segments) {
    written = write_segments_of(context, *store, *selection, *format);
  } else {
    bool any = false;
    const auto others = others_in(*store, *selection, any);
    if (!others) return tl::unexpected(others.error());
    if (!any) return fail(ErrorKind::negative, "there is no reading in that time; nightwatt runs says when there are");
    if (auto readable = is_readable(*store, *selection); !readable) return tl::unexpected(readable.error());
    written = *format == Format::csv      ? write_csv(context, *store, *selection, *others)
              : *format == Format::ndjson ? write_lines(context, *store, *selection)
                                          : write_json(context, *store, *selection);
  }
  if (!written) return tl::unexpected(written.error());
  if (arguments.segments) return 0;
  const auto whole = store->raw_is_whole(selection->stream, selection->from, selection->to);
  if (!whole) return tl::unexpected(whole.error());
  if (!*whole) {
    context.out.flush();
    context.err.write(
        "nightwatt: of a part of that time only minutes and hours are left (keep_raw_days, max_size_mb); its readings "
        "are not in this export\n");
    context.err.flush();
  }
  return 0;
}

}  // namespace

Outcome run(Context& context, const ExportArguments& arguments) {
  if (!arguments.file || arguments.file == standard_output) return export_to(context, arguments);
  auto file = NewFile::open(*arguments.file);
  if (!file) return tl::unexpected(file.error());
  Sink sink(file->descriptor());
  Context into_file = context.answering_to(sink);
  const auto done = export_to(into_file, arguments);
  if (!done) return done;
  sink.flush();
  if (sink.failed())
    return fail(ErrorKind::unusable, text::printable(*arguments.file) + " could not be written; is the disk full?");
  if (auto committed = file->commit(); !committed) return tl::unexpected(committed.error());
  return done;
}

}  // namespace nightwatt::query
