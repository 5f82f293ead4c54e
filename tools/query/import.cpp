#include <unistd.h>

#include <chrono>
#include <csignal>

#include "context.hpp"
#include "csv/csv_reader.hpp"
#include "describe.hpp"
#include "figures/figures.hpp"
#include "figures/run_recorder.hpp"
#include "measure/signal/time_text.hpp"
#include "table_file.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

constexpr std::size_t batch_readings = 4096;  // fits a second-level cache
constexpr std::size_t batches_a_commit = 48;  // about 200,000 readings: few commits, and the service never waits long
constexpr double progress_after_s = 0.5;
constexpr double progress_every_s = 0.2;
constexpr std::size_t progress_columns = 30;  // of the bar; the rest of an 80-column line holds the numbers

/// A bar on a terminal that says how far it is, once it lasts.
class Progress {
 public:
  Progress(Context& context, std::uint64_t of_bytes)
      : context_(context), of_bytes_(of_bytes), began_(Watch::now()), next_(progress_after_s) {}
  ~Progress() {
    if (!shown_) return;
    context_.err.write("\r\x1b[K");
    context_.err.flush();
  }

  void show(std::uint64_t bytes, std::int64_t readings) {
    if (!context_.environment.err_is_terminal) return;
    const double passed_s = std::chrono::duration<double>(Watch::now() - began_).count();
    if (passed_s < next_) return;
    next_ = passed_s + progress_every_s;
    shown_ = true;
    const std::uint64_t of = std::max<std::uint64_t>(of_bytes_, 1);
    const std::uint64_t done = std::min(bytes, of);
    const std::size_t filled = static_cast<std::size_t>(done * progress_columns / of);
    context_.err.write("\rimporting [" + std::string(filled, '#') + std::string(progress_columns - filled, '.') + "] " +
                       std::to_string(done * 100 / of) + " %, " + std::to_string(readings) + " readings\x1b[K");
    context_.err.flush();
  }

 private:
  using Watch = std::chrono::steady_clock;
  Context& context_;
  std::uint64_t of_bytes_;
  Watch::time_point began_;
  double next_;
  bool shown_ = false;
};

volatile std::sig_atomic_t stop_signal = 0;
void note_stop(int number) {
  stop_signal = number;
}

/// While it lives, Ctrl-C and the like ask the import to stop instead of ending the process under it. Afterwards they
/// mean what they meant before.
class StopRequest {
 public:
  StopRequest() {
    stop_signal = 0;
    struct sigaction action {};
    action.sa_handler = note_stop;
    for (std::size_t i = 0; i < signals.size(); ++i) {
      ::sigaction(signals[i], nullptr, &before_[i]);
      if (before_[i].sa_handler != SIG_IGN) ::sigaction(signals[i], &action, nullptr);
    }
  }
  ~StopRequest() {
    for (std::size_t i = 0; i < signals.size(); ++i) ::sigaction(signals[i], &before_[i], nullptr);
  }
  StopRequest(const StopRequest&) = delete;
  StopRequest& operator=(const StopRequest&) = delete;
  [[nodiscard]] static int asked() { return stop_signal; }

 private:
  static constexpr std::array signals = {SIGINT, SIGTERM, SIGHUP};
  std::array<struct sigaction, signals.size()> before_{};
};

/// A day, the longest `gap_s` of a profile: a hole beyond it is a record that was interrupted.
constexpr double longest_hold_s = 86'400.0;

struct Request {
  storage::NewRun run;
  csv::FileOptions reader;
};

Result<Request> request_from(const ImportArguments& arguments) {
  Request request;
  storage::NewRun& run = request.run;
  run.origin = storage::RunOrigin::imported;
  run.pinned = true;
  if (!arguments.device) return fail(ErrorKind::input, "--device is missing; say what was measured: --device NAME");
  if (auto checked = text::check_text("the device name", *arguments.device, text::name_limit); !checked)
    return tl::unexpected(checked.error());
  run.device = *arguments.device;
  const auto resolution = maybe_positive("--resolution", arguments.resolution);
  if (!resolution) return tl::unexpected(resolution.error());
  run.traits.resolution_w = *resolution;
  if (arguments.truncates && !*resolution)
    return fail(ErrorKind::input, "--truncates needs the display's step; give it with --resolution");
  if (arguments.truncates && arguments.rounds)
    return fail(ErrorKind::input, "--truncates and --rounds exclude each other; give the one that is so");
  if (arguments.truncates || arguments.rounds)
    run.traits.rounding = arguments.truncates ? Rounding::truncates : Rounding::rounds;
  const auto gap_s = maybe_positive("--gap", arguments.gap);
  if (!gap_s) return tl::unexpected(gap_s.error());
  run.traits.gap_s = *gap_s;
  run.traits.on_change = arguments.on_change;
  // The intervals of such a file tell nothing of its gaps: what has not changed for hours is as it was.
  if (arguments.on_change && !*gap_s) run.traits.gap_s = longest_hold_s;
  const auto starting = maybe_positive("--starting", arguments.starting);
  if (!starting) return tl::unexpected(starting.error());
  run.traits.starting_w = *starting;
  if (arguments.accuracy) {
    const auto accuracy = Accuracy::parse(*arguments.accuracy);
    if (!accuracy) return fail(ErrorKind::input, "--accuracy: " + accuracy.error().message);
    run.traits.accuracy = *accuracy;
  }
  if (arguments.missing_below) {
    const auto below = number_from("--missing-below", *arguments.missing_below);
    if (!below) return tl::unexpected(below.error());
    request.reader.missing_below_w = *below;
  }
  request.reader.time = arguments.time;
  request.reader.power = arguments.power;
  request.reader.unit = arguments.unit;
  request.reader.delimiter = arguments.delimiter;
  request.reader.decimal = arguments.decimal;
  request.reader.date_format = arguments.date_format;
  request.reader.zone = arguments.zone;
  if (auto described = describe(run, arguments); !described) return tl::unexpected(described.error());
  return request;
}

struct Imported {
  storage::RunId run = 0;
  std::int64_t samples = 0;
};

/// Readings into the store, a transaction for many batches. The stream stays invisible until the last transaction, so
/// that a bad line far down, or a kill, leaves nothing to be seen.
class Import {
 public:
  Import(storage::StoreWriter& store, csv::CsvReader& reader, Progress& progress)
      : store_(store), reader_(reader), progress_(progress) {}

  /// `batch` holds the first readings of the file and is not empty.
  Result<Imported> all(storage::NewRun run, std::vector<Reading>& batch) {
    if (auto opened = in_transaction(store_, [&] { return open(run, batch.front().time); }); !opened)
      return tl::unexpected(opened.error());
    figures::RunRecorder builder(imported_.run, {run.traits, run.shortest_segment_s});
    while (!batch.empty())
      if (auto some = in_transaction(store_, [&] { return some_batches(builder, batch); }); !some)
        return tl::unexpected(some.error());
    const auto published = in_transaction(store_, [&]() -> Result<void> {
      if (auto finished = builder.finish(store_, last_); !finished) return finished;
      return store_.apply(storage::PublishImport{stream_});
    });
    if (!published) return tl::unexpected(published.error());
    return imported_;
  }

 private:
  Result<void> open(storage::NewRun& run, UtcTime begin) {
    const auto stream = store_.new_import_stream();
    if (!stream) return tl::unexpected(stream.error());
    stream_ = *stream;
    run.stream = stream_;
    run.begin = begin;
    const auto id = store_.open_run(run);
    if (!id) return tl::unexpected(id.error());
    imported_.run = *id;
    return {};
  }

  Result<void> some_batches(figures::RunRecorder& builder, std::vector<Reading>& batch) {
    for (std::size_t i = 0; i < batches_a_commit && !batch.empty(); ++i) {
      if (auto appended = store_.apply(storage::AppendReadings{stream_, batch}); !appended) return appended;
      for (const Reading& reading : batch) builder.push(reading);
      imported_.samples += static_cast<std::int64_t>(batch.size());
      last_ = batch.back().time;
      progress_.show(reader_.bytes(), imported_.samples);
      if (StopRequest::asked() != 0) return fail(ErrorKind::negative, "stopped; nothing was stored");
      if (auto read = reader_.next(batch, batch_readings); !read) return read;
    }
    return builder.save(store_);
  }

  storage::StoreWriter& store_;
  csv::CsvReader& reader_;
  Progress& progress_;
  storage::StreamId stream_ = 0;
  UtcTime last_;
  Imported imported_;
};

void write_json(Context& context, const Imported& imported, std::int64_t segments, std::uint64_t duplicates) {
  JsonWriter json(context.out);
  json.begin_document().field("run", imported.run).field("samples", imported.samples).field("segments", segments);
  json.field("duplicates", static_cast<std::int64_t>(duplicates)).end_object();
  context.out.write("\n");
}

void write_people(Context& context, const RunRecord& record, const csv::CsvReader& reader) {
  const auto counted = [](auto n, const std::string& one) {
    return ", " + std::to_string(n) + " " + one + (n == 1 ? "" : "s");
  };
  std::string line = "Run " + std::to_string(record.info.id) + ": " + device_text(record.info) +
                     counted(record.summary.samples, "reading") + counted(record.segments.size(), "segment");
  if (reader.duplicates() > 0) line += counted(reader.duplicates(), "duplicate") + " left out";
  if (reader.missing() > 0) line += counted(reader.missing(), "line") + " without a value left out";
  context.out.write(line + "\n  idle " + (record.summary.idle ? figure_text(*record.summary.idle, "W") : "-") +
                    ", load " + (record.summary.load ? figure_text(*record.summary.load, "W") : "-") +
                    "; more: nightwatt summary " + std::to_string(record.info.id) + "\n");
  if (const auto warning = rounding_warning(record))
    context.out.write("  " + toned(context.style, Tone::yellow, "warning:") + " " + text::printable(*warning) + "\n");
}

tl::unexpected<Error> nothing_in(const ImportArguments& arguments, const std::string& name,
                                 const csv::CsvReader& reader) {
  const std::string where = name + ":" + std::to_string(reader.lines()) + ": ";
  if (reader.missing() == 0)
    return fail(ErrorKind::input, where + "there is no reading below the header; nothing was stored");
  return fail(ErrorKind::input,
              where + "all " + std::to_string(reader.missing()) + " lines are without a value" +
                  (arguments.missing_below ? " or below --missing-below " + text::printable(*arguments.missing_below) +
                                                 ", which counts as missing"
                                           : std::string()) +
                  "; nothing was stored");
}

/// What was found out, and what became of lines that are no plain reading. For people and scripts alike, beside the
/// answer.
void tell(Context& context, const std::string& name, const csv::CsvReader& reader, bool missing_was_asked_for) {
  if (const std::string form = reader.read_as(); !form.empty()) context.err.write("read as: " + form + "\n");
  const auto warn = [&](const std::string& what) { context.err.write("nightwatt: " + name + ": " + what + "\n"); };
  const auto counted = [](std::uint64_t n, const std::string& one, const std::string& many) {
    return std::to_string(n) + " " + (n == 1 ? one : many);
  };
  if (reader.spread() > 0)
    warn("several readings share one time in the file: " + counted(reader.spread(), "reading was", "readings were") +
         " spread evenly up to the next time; if another column has finer times, name it with --time");
  // What --missing-below leaves out was asked for, and is in the answer.
  if (reader.missing() > 0 && !missing_was_asked_for)
    warn(counted(reader.missing(), "line", "lines") + " without a value left out");
  if (reader.rounded() > 0)
    context.err.write("nightwatt: " + name + ":" + std::to_string(reader.first_rounded()) +
                      ": a value with more than 9 decimals was rounded to 9" +
                      (reader.rounded() == 1 ? std::string()
                                             : ", and " + std::to_string(reader.rounded() - 1) + " more in the file") +
                      "\n");
  context.err.flush();
}

/// The file as far as its first readings.
struct Begun {
  csv::CsvReader reader;
  std::vector<Reading> batch;
};
Result<Begun> begin_reading(const TableFile& file, const csv::FileOptions& options) {
  Begun begun{
      csv::CsvReader(
          file.name(), [&file](std::uint64_t offset, std::span<char> buffer) { return file.read_at(offset, buffer); },
          options),
      {}};
  if (auto found = begun.reader.find_form(); !found) return tl::unexpected(found.error());
  const auto first = begun.reader.next(begun.batch, batch_readings);
  if (!first && begun.reader.found_coarse_stamps() && !options.spread) {
    csv::FileOptions again = options;
    again.spread = true;
    return begin_reading(file, again);
  }
  if (!first) return tl::unexpected(first.error());
  return begun;
}

/// The whole file into the store, or nothing of it.
Result<Imported> into_store(Context& context, const std::string& path, const storage::NewRun& run, std::uint64_t size,
                            Begun& begun) {
  const bool was_there = ::access(path.c_str(), F_OK) == 0;
  auto store = context.open_writer(WhereMissing::make);
  if (!store) return tl::unexpected(store.error());
  Result<Imported> imported;
  {
    Progress progress(context, size);
    imported = Import(*store, begun.reader, progress).all(run, begun.batch);
  }
  if (imported) return imported;
  // Opening a store sweeps out what an import left unfinished.
  store = fail(ErrorKind::unusable, {});
  if (auto swept = context.open_writer(WhereMissing::make); !swept) return tl::unexpected(swept.error());
  if (!was_there) storage::StoreWriter::remove_unused(path);
  return imported;
}

}  // namespace

Outcome run(Context& context, const ImportArguments& arguments) {
  auto request = request_from(arguments);
  if (!request) return tl::unexpected(request.error());
  const auto file = TableFile::open(arguments.file);
  if (!file) return tl::unexpected(file.error());
  auto begun = begin_reading(*file, request->reader);
  if (!begun) return tl::unexpected(begun.error());
  if (begun->batch.empty()) return nothing_in(arguments, file->name(), begun->reader);
  const auto path = context.store_path();
  if (!path) return tl::unexpected(path.error());
  Result<Imported> imported;
  {
    const StopRequest stop;
    imported = into_store(context, *path, request->run, file->size(), *begun);
    if (!imported && begun->reader.found_coarse_stamps()) {
      request->reader.spread = true;
      begun = begin_reading(*file, request->reader);
      if (!begun) return tl::unexpected(begun.error());
      imported = into_store(context, *path, request->run, file->size(), *begun);
    }
  }
  if (const int signal = StopRequest::asked(); !imported && signal != 0) {
    context.err.write("nightwatt: stopped; nothing was stored\n");
    context.err.flush();
    return 128 + signal;  // as shells do
  }
  if (!imported) return tl::unexpected(imported.error());
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto info = store->run(imported->run);
  if (!info) return tl::unexpected(info.error());
  const auto record = run_record(*store, *info);
  if (!record) return tl::unexpected(record.error());
  tell(context, file->name(), begun->reader, arguments.missing_below.has_value());
  if (context.json)
    write_json(context, *imported, static_cast<std::int64_t>(record->segments.size()), begun->reader.duplicates());
  else
    write_people(context, *record, begun->reader);
  return 0;
}

}  // namespace nightwatt::query
