// A run that a store keeps, built from its readings: recorded on, ended, or made anew.
#pragma once

#include <cstdint>
#include <limits>
#include <optional>
#include <utility>

#include "measure/run/run_builder.hpp"
#include "measure/run/run_totals.hpp"
#include "measure/signal/result.hpp"
#include "storage/store.hpp"

namespace nightwatt::figures {

/// Behind every reading.
inline constexpr UtcTime end_of_time{std::numeric_limits<std::int64_t>::max()};

[[nodiscard]] SegmenterSettings segmenter_settings(const storage::RunInfo& info);

/// Owns a run's builder, and brings its state into the store and out of it. Readings themselves are appended by the
/// caller in the same transaction. When a transaction is lost (full disk, rollback), what was pushed for it is in here
/// and not in the store: throw the recorder away and resume(). One thread.
class RunRecorder {
 public:
  /// For a run that was just opened.
  RunRecorder(storage::RunId run, SegmenterSettings settings);
  /// For an open run of the store: restores its resume mark and replays the readings after it. A state that cannot be
  /// read, as after an update that keeps it in another form, is made anew from the run's readings, and replaced with
  /// the next save() or finish().
  [[nodiscard]] static Result<RunRecorder> resume(const storage::StoreReader& store, storage::RunId run);
  /// The same for any run, as it stood at `to`; `kept` is what run_state() gave.
  [[nodiscard]] static Result<RunRecorder> as_of(const storage::StoreReader& store, const storage::RunInfo& info,
                                                 const Result<storage::RunState>& kept, UtcTime to);
  /// Replays the stored readings of [info.begin, info.end] (or to the last) as a run with info's settings, whatever
  /// state the store has of it. Writes nothing, so that a long run is done before any transaction begins; then, between
  /// begin() and commit(): ClearRunState, set_run() where the run is new, and finish() or save(). Refused
  /// (ErrorKind::negative) where raw readings have given way to minutes and hours.
  [[nodiscard]] static Result<RunRecorder> over(const storage::StoreReader& store, const storage::RunInfo& info);

  /// Of a run just opened whose meter reports on change: looks up what it showed when the run began.
  [[nodiscard]] Result<void> begin_held(const storage::StoreReader& store, storage::StreamId stream, UtcTime begin);
  void push(const Reading& reading) { builder_.push(reading); }
  /// Writes what became final since the last call, and the resume mark. Call at least every few thousand readings; in
  /// between nothing of the run needs to be written, since a reader replays the readings.
  [[nodiscard]] Result<void> save(storage::StoreWriter& store);
  /// Ends the run at `end`: everything final, written, and the run closed. Between begin() and commit(). Where readings
  /// after `end` were pushed (an automatic run ends where `off` began) it goes back to the state before them; the
  /// readings up to `end` must have been appended by now.
  [[nodiscard]] Result<void> finish(storage::StoreWriter& store, UtcTime end);

  [[nodiscard]] storage::RunId run() const { return run_; }
  void set_run(storage::RunId run) { run_ = run; }
  [[nodiscard]] const RunTotals& totals() const { return builder_.totals(); }
  [[nodiscard]] std::optional<UtcTime> last_pushed() const { return builder_.last_pushed(); }
  /// Of a meter that reports on change: how long a reading holds.
  [[nodiscard]] std::optional<double> hold_limit_s() const { return builder_.hold_limit_s(); }
  /// What the store has of the run's figures is to be thrown away.
  [[nodiscard]] bool anew() const { return anew_; }
  [[nodiscard]] RunBuilder take_builder() && { return std::move(builder_); }

 private:
  RunRecorder(const storage::RunInfo& info, RunBuilder builder);
  [[nodiscard]] Result<void> replay(const storage::StoreReader& store, const storage::RunInfo& info, UtcTime to);
  [[nodiscard]] Result<void> go_back(storage::StoreWriter& store, UtcTime& end);
  [[nodiscard]] Result<void> drop_unreadable(storage::StoreWriter& store);
  enum class Ended : std::uint8_t { no, yes };
  [[nodiscard]] Result<void> write(storage::StoreWriter& store, Ended ended);
  storage::RunId run_;
  SegmenterSettings settings_;
  RunBuilder builder_;
  bool anew_ = false;
};

/// Makes a run's state anew from its stored readings, between begin() and commit(): over() and finish() or save() in
/// one. Holds the store for as long as the replay lasts (about a second for a million readings): for short runs.
[[nodiscard]] Result<void> resegment(storage::StoreWriter& store, storage::RunId run);

/// How far back what a display shows is looked for: as long as a reading may hold, or by the usual rule where the
/// profile does not say.
[[nodiscard]] Duration longest_hold(const MeterTraits& traits);

/// Of a meter that reports on change: the last power before `begin` that may still be shown then.
[[nodiscard]] Result<std::optional<ShownSince>> shown_at(const storage::StoreReader& store, storage::StreamId stream,
                                                         const MeterTraits& traits, UtcTime begin);

}  // namespace nightwatt::figures
