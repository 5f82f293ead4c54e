// The rolling store: one SQLite file with every reading, run, stretch, mark and event.
//
// Two ways in: StoreReader for questions (its own read-only connection, any number, while the service writes) and
// StoreWriter for one writing process at a time per transaction. Times are the record's (see UtcTime); add
// utc_offset_at() to show them. Every call may fail with ErrorKind::unusable unless said otherwise. Not thread-safe:
// one thread per object.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "measure/signal/calendar.hpp"
#include "measure/signal/reading.hpp"
#include "measure/signal/result.hpp"
#include "storage/change.hpp"
#include "storage/stored.hpp"

namespace nightwatt::storage {

/// Counts, extremes and sums of one quantity over a window, from the sums kept beside the blocks. Of readings as they
/// came: what a meter that reports on change showed meanwhile is shown_powers()' business.
struct WindowAggregates {
  std::int64_t count = 0;
  double min = 0.0, max = 0.0, sum = 0.0, sum_of_squares = 0.0;
  double mean = 0.0;                ///< of the values, not weighted by time
  double m2 = 0.0;                  ///< sum of squared deviations from `mean`; does not cancel as sum_of_squares does
  std::optional<double> energy_wh;  ///< power only: trapezoid over neighbours, never across a gap (longer than
                                    ///< max(10 s, 5 x the median interval of their block))
  std::optional<UtcTime> first, last;
};

/// A minute or an hour (or the part of it in one block) of a quantity whose raw readings were given up.
struct Rollup {
  UtcTime begin;
  Duration step{0};
  std::int64_t count = 0;
  double min = 0.0, mean = 0.0, max = 0.0;
  std::optional<double> energy_wh;  ///< power only
  /// Power of a meter that reports on change: how long it is known what it showed. `min`, `mean`, `max` and `energy_wh`
  /// are then of what was shown, weighted by time.
  std::optional<Duration> shown;
};
enum class RollupStep : std::uint8_t { minute, hour };

/// Size of a store on disk, main file and write-ahead log, without opening it; nullopt where it cannot be looked at.
[[nodiscard]] std::optional<std::int64_t> store_bytes(const std::string& path);

struct StoreStatus {
  std::string path;
  std::int64_t bytes = 0;  ///< store_bytes()
  std::optional<UtcTime> oldest;
  std::int64_t samples = 0;
};

struct StoreCheck {
  bool ok = true;
  std::int64_t samples = 0;
  std::int64_t blocks = 0;
  std::vector<std::string> problems;
  std::size_t known = 0;  ///< of the problems: rows set aside that nobody has acknowledged yet; all else is sound
};

struct StoreSettings {
  std::optional<double> keep_raw_days;
  std::optional<double> max_size_mb;
  double flush_s = 1.0;
  /// How long begin() waits for another program's transaction: longer than any of ours lasts, short enough for a
  /// person.
  int busy_timeout_ms = 5'000;
};

/// Whether the age of readings may take them away now; size always may.
enum class Ageing : std::uint8_t { wanted, not_now };

/// What kept a store from being used, where that makes a difference to what to do next.
enum class StoreTrouble : std::uint8_t { none, no_room, locked, damaged, other };

class StoreReader;

/// What is wrong with a run's figures, a line each. Storage keeps them and cannot say: who makes them hands this in.
using RunProof = std::function<std::vector<std::string>(const StoreReader& store, const RunInfo& run)>;

/// While it lives, all reads through its store see one moment, whatever others write. Must not outlive the store
/// object.
class Snapshot {
 public:
  Snapshot(Snapshot&& other) noexcept : store_(std::exchange(other.store_, nullptr)) {}
  Snapshot& operator=(Snapshot&&) = delete;
  ~Snapshot();

 private:
  friend class StoreReader;
  explicit Snapshot(const StoreReader* store) : store_(store) {}
  const StoreReader* store_;
};

class StoreReader {
 public:
  /// Never creates or changes the file. Says in one line what is wrong: missing, not a database, another program's,
  /// newer version, cut, locked for long.
  [[nodiscard]] static Result<StoreReader> open(const std::string& path);
  ~StoreReader();
  StoreReader(StoreReader&&) noexcept;
  StoreReader& operator=(StoreReader&&) noexcept;

  /// The file at the store's path is no longer the one that was opened: moved, deleted or replaced. Costs a look at the
  /// folder.
  [[nodiscard]] bool moved() const;

  /// May be nested; within a writer's transaction it adds nothing.
  [[nodiscard]] Result<Snapshot> snapshot() const;

  [[nodiscard]] Result<StoreStatus> status() const;
  [[nodiscard]] Result<std::vector<StreamInfo>> streams() const;
  [[nodiscard]] Result<std::optional<StreamId>> stream_of_meter(std::string_view meter) const;
  [[nodiscard]] Result<std::vector<RunInfo>> runs() const;  ///< all, by number; an error where any is damaged
  [[nodiscard]] Result<RunList> run_list() const;  ///< for whatever damage of one run must not keep from another
  [[nodiscard]] Result<std::vector<RunId>> run_ids() const;  ///< all, also of damaged rows
  [[nodiscard]] Result<RunInfo> run(RunId id) const;         ///< ErrorKind::negative: no such run
  [[nodiscard]] Result<RunState> run_state(RunId id, Sketches wanted = Sketches::all) const;
  /// Of a row entered by hand: what the display showed in standby.
  [[nodiscard]] Result<std::optional<double>> entered_standby_w(RunId id) const;
  [[nodiscard]] Result<std::vector<Mark>> marks(RunId id) const;  ///< of the run, or of its meter within it
  [[nodiscard]] Result<std::vector<Event>> events(UtcTime from, UtcTime to) const;

  /// Every reading of [from, to] in order, oldest first. `visit` returns false to stop.
  [[nodiscard]] Result<void> readings(StreamId stream, UtcTime from, UtcTime to,
                                      const std::function<bool(const Reading&)>& visit) const;
  /// What is left of [from, to] where raw readings were given up: whole buckets, in order. Minutes may be gone too
  /// where room was short; hours stay. `visit` returns false to stop.
  [[nodiscard]] Result<void> rollups(StreamId stream, Quantity quantity, RollupStep step, UtcTime from, UtcTime to,
                                     const std::function<bool(const Rollup&)>& visit) const;
  /// All that is there of [from, to] in order: readings, and where they were given up what is left of one quantity,
  /// minutes or else hours that reach into [from, to]. The visitors return false to stop.
  [[nodiscard]] Result<void> readings_and_rollups(StreamId stream, Quantity quantity, UtcTime from, UtcTime to,
                                                  const std::function<bool(const Reading&)>& visit,
                                                  const std::function<bool(const Rollup&)>& visit_rollup) const;
  /// Whether every reading of [from, to] is still there as the meter gave it.
  [[nodiscard]] Result<bool> raw_is_whole(StreamId stream, UtcTime from, UtcTime to) const;
  [[nodiscard]] Result<std::optional<Reading>> last_reading(StreamId stream) const;
  /// Whole window from the sums beside the blocks plus the two edge blocks. Where an edge lies in readings given up,
  /// its block counts by whole minutes (or hours).
  [[nodiscard]] Result<WindowAggregates> aggregates(StreamId stream, Quantity quantity, UtcTime from, UtcTime to) const;
  /// How a stream's times are shown (an import's: as they are). [from, to] is taken for one run: its times are shown by
  /// the calendar as last corrected within it, back to an outage that no clock saw.
  [[nodiscard]] Result<Calendar> calendar(StreamId stream, UtcTime from, UtcTime to) const;
  /// UTC minus record time in force at a record time (0 for imports).
  [[nodiscard]] Result<Duration> utc_offset_at(StreamId stream, UtcTime time) const;
  /// A small named value of the service; none: never put, or damaged.
  [[nodiscard]] Result<std::optional<std::string>> value(std::string_view name) const;
  /// Every block decodes and agrees with its sums, no overlap, no orphan, each run's figures prove; SQLite's own
  /// integrity_check.
  [[nodiscard]] Result<StoreCheck> check(const RunProof& prove) const;

 private:
  friend class Snapshot;
  friend class RowCopy;
  friend class StoreWriter;
  class Impl;
  class Checker;
  explicit StoreReader(std::unique_ptr<Impl> impl);
  std::unique_ptr<Impl> impl_;
};

/// Lets one service at a time work on a store, by whatever name each came to its file. Held as long as the object
/// lives, also given up when the process dies. It must outlive the process's own writers of the store: closing its
/// descriptor ends the locks that SQLite has on the file.
class ServiceLock {
 public:
  /// ErrorKind::unusable, naming the process, where another service has it. Makes the file `PATH-lock` beside the
  /// store, and the store's file, empty, where there is none; `trouble`: what kind of failure it was, where these could
  /// not be made.
  [[nodiscard]] static Result<ServiceLock> take(const std::string& store_path, StoreTrouble* trouble = nullptr);
  /// The lock's file, or the store's, is no longer the one at its path: whoever looks there does not see this lock.
  [[nodiscard]] bool moved() const;
  ServiceLock(ServiceLock&& other) noexcept
      : path_(std::move(other.path_)),
        descriptor_(std::exchange(other.descriptor_, -1)),
        file_(std::exchange(other.file_, -1)) {}
  ServiceLock& operator=(ServiceLock&& other) noexcept;
  ~ServiceLock();

 private:
  ServiceLock(std::string path, int descriptor) : path_(std::move(path)), descriptor_(descriptor) {}
  void release();
  std::string path_;     ///< of the store
  int descriptor_ = -1;  ///< of the lock file
  int file_ = -1;        ///< of the store's
};

/// Changes a store, and has a reader that sees what it has written so far, also before commit().
class StoreWriter {
 public:
  /// Creates the file (0640) where it is missing, upgrades an older version in place, clears unfinished imports.
  /// `trouble`: what kind of failure it was.
  [[nodiscard]] static Result<StoreWriter> open(const std::string& path, StoreSettings settings,
                                                StoreTrouble* trouble = nullptr);
  /// Closes a store that moved(): what its log holds goes into its file, wherever that is now, and no log stays at the
  /// path for another file to be read with. False: some of the log could not be brought into the file.
  static bool leave(StoreWriter store);
  /// Closes a damaged store and leaves its files as they are: what a cut log holds must not get into its file.
  static void abandon(StoreWriter store);
  /// Somebody cut the store's log short: what was committed there is lost, and what is read there is nothing.
  [[nodiscard]] bool log_is_cut() const;
  /// Takes a store away again that holds nothing at all and that nobody else has open; else leaves it as it is. For a
  /// program that made it by open() and had nothing to put in.
  static void remove_unused(const std::string& path);

  ~StoreWriter();
  StoreWriter(StoreWriter&&) noexcept;
  StoreWriter& operator=(StoreWriter&&) noexcept;

  /// Valid as long as the writer, wherever that is moved.
  [[nodiscard]] const StoreReader& reader() const;

  /// Begins a transaction; commit() makes all since begin() durable against kill -9 at once. Not nested.
  /// A full disk is ErrorKind::unusable with trouble() no_room; the transaction is gone, the object stays usable.
  [[nodiscard]] Result<void> begin();
  [[nodiscard]] Result<void> commit();
  void rollback() noexcept;
  [[nodiscard]] StoreTrouble trouble() const noexcept;  ///< of the last call

  // All below must run between begin() and commit().
  /// ErrorKind::negative: a run that is not there cannot be ended, moved, named, pinned, described or forgotten.
  [[nodiscard]] Result<void> apply(const Change& change);
  // What the store gives a number to, or counts:
  [[nodiscard]] Result<StreamId> stream_for_meter(std::string_view meter);  ///< found or made
  [[nodiscard]] Result<StreamId> new_import_stream();                       ///< invisible until PublishImport
  [[nodiscard]] Result<RunId> open_run(const NewRun& run);
  /// Nothing can be appended behind newest readings that are damaged. Takes their rows out, a few hundred readings
  /// each, and keeps the bytes for whoever wants to look. Only for the one who appends to the stream. Gives how many.
  [[nodiscard]] Result<std::int64_t> quarantine_damaged_write_buffer(StreamId stream);
  /// Rows set aside so far are known to whoever keeps the store: check() tells of them no more. Gives how many.
  [[nodiscard]] Result<std::int64_t> acknowledge_quarantine();
  /// Applies age and size limits: the oldest raw readings give way to minutes and hours, save those of pinned and
  /// imported runs. A reading's age is the record that came after it, in the meter that recorded most since; a hole of
  /// more than a day counts as nothing, since it may be a clock that was wrong. `now` says which tails are a day old. A
  /// bounded amount of work (some ten milliseconds); says whether more is left. Between begin() and commit().
  [[nodiscard]] Result<bool> retain(UtcTime now, Ageing ageing = Ageing::wanted);

 private:
  friend class RowCopy;
  class Impl;
  class Applier;
  explicit StoreWriter(std::unique_ptr<Impl> impl);
  std::unique_ptr<Impl> impl_;
};

}  // namespace nightwatt::storage
