// Builds one run from its readings: the one path that live data, imports and re-segmentation all take.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "measure/run/run_totals.hpp"
#include "measure/segment/segmenter.hpp"
#include "measure/signal/held_power.hpp"
#include "storage/store.hpp"

namespace nightwatt::storage {

/// Owns a run's segmenter and totals, and keeps their state in the store. Readings themselves are appended by the
/// caller in the same transaction. When a transaction is lost (full disk, rollback), what was pushed for it is in here
/// and not in the store: throw the builder away and resume(). One thread.
class RunBuilder {
 public:
  /// A run just opened.
  RunBuilder(RunId run, SegmenterSettings settings);
  /// An open run of the store: restores its resume mark and replays the readings after it. A state that cannot be read,
  /// as after an update that keeps it in another form, is made anew from the run's readings, and replaced with the next
  /// save() or finish().
  [[nodiscard]] static Result<RunBuilder> resume(const StoreReader& store, RunId run);
  /// Replays the stored readings of [info.begin, info.end] (or to the last) as a run with info's settings, whatever
  /// state the store has of it. Writes nothing, so that a long run is done before any transaction begins; then, between
  /// begin() and commit(): clear_run_state(), set_run() where the run is new, and finish() or save(). Refused
  /// (ErrorKind::negative) where raw readings have given way to minutes and hours.
  [[nodiscard]] static Result<RunBuilder> over(const StoreReader& store, const RunInfo& info);

  /// Of a run just opened whose meter reports on change: looks up what it showed when the run began.
  [[nodiscard]] Result<void> begin_held(const StoreReader& store, StreamId stream, UtcTime begin);
  void push(const Reading& reading);
  /// Writes what became final since the last call, and the resume mark. Call at least every few thousand readings; in
  /// between nothing of the run needs to be written, since a reader replays the readings.
  [[nodiscard]] Result<void> save(StoreWriter& store);
  /// Ends the run at `end`: everything final, written, and the run closed. Between begin() and commit(). Where readings
  /// after `end` were pushed (an automatic run ends where `off` began) it goes back to the state before them; the
  /// readings up to `end` must have been appended by now.
  [[nodiscard]] Result<void> finish(StoreWriter& store, UtcTime end);

  [[nodiscard]] RunId run() const { return run_; }
  void set_run(RunId run) { run_ = run; }
  [[nodiscard]] const RunTotals& totals() const { return totals_; }
  [[nodiscard]] const Segmenter& segmenter() const { return segmenter_; }
  [[nodiscard]] std::optional<UtcTime> last_pushed() const { return as_of_; }
  /// Of a meter that reports on change: how long a reading holds.
  [[nodiscard]] std::optional<double> hold_limit_s() const {
    return held_ ? std::optional(held_->limit_s()) : std::nullopt;
  }

 private:
  friend class RunReplay;
  [[nodiscard]] Result<void> drop_unreadable(StoreWriter& store);
  void see(UtcTime time, double power_w) { segmenter_.push(time, power_w); }
  void hold_until(UtcTime end);
  RunId run_;
  SegmenterSettings settings_;
  Segmenter segmenter_;
  RunTotals totals_;
  std::optional<HeldPower> held_;  ///< of a meter that reports on change, what the segmenter sees
  std::optional<UtcTime> as_of_;
  bool anew_ = false;  ///< what the store has of the run's figures is to be thrown away
};

/// Makes a run's state anew from its stored readings, between begin() and commit(): over() and finish() or save() in
/// one. Holds the store for as long as the replay lasts (about a second for a million readings): for short runs.
[[nodiscard]] Result<void> resegment(StoreWriter& store, RunId run);

[[nodiscard]] SegmenterSettings segmenter_settings(const RunInfo& info);

/// Power over [from, to] of a run's stream as its segments see it: the readings, or of a meter that reports on change
/// what it showed meanwhile. `visit` returns false to stop.
[[nodiscard]] Result<void> shown_powers(const StoreReader& store, const RunInfo& info, UtcTime from, UtcTime to,
                                        const std::function<bool(UtcTime, double)>& visit);
/// Power as it was shown for a while: a look at the display, or what is left of readings that were given up.
struct ShownPower {
  UtcTime begin;
  Duration length{0};  ///< of the stretch of time that it tells of
  Duration shown{0};   ///< how much of that is known
  double lowest_w = 0.0, mean_w = 0.0, highest_w = 0.0;
};
/// Of a meter that reports on change: shown_powers(), and minutes or hours where the raw readings were given up.
[[nodiscard]] Result<void> shown_or_left(const StoreReader& store, const RunInfo& info, UtcTime from, UtcTime to,
                                         const std::function<void(const ShownPower&)>& visit);
/// The totals of a run's readings up to `to`, and where the run has ended by then, of what was shown until its end.
[[nodiscard]] Result<RunTotals> totals_of_readings(const StoreReader& store, const RunInfo& info, UtcTime to);

/// A run as one asks for it: final and provisional segments, totals, warnings. For closed and open runs alike.
struct RunFigures {
  RunInfo info;
  std::vector<Segment> segments;
  /// What each segment was made of, with the sketches that were wanted; none where the run holds no reading.
  std::vector<Regime> regimes;
  std::vector<std::string> segment_warnings;
  RunTotals totals;
  Calendar calendar;       ///< how its times are shown
  Duration utc_offset{0};  ///< that of its end, for who shows only that
  int clock_steps = 0;     ///< during the run
  double step_w = 0.0;     ///< the display's, from the traits or learnt; 0 while unknown
};
[[nodiscard]] Result<RunFigures> run_figures(const StoreReader& store, RunId run,
                                             Sketches wanted = Sketches::where_needed);

}  // namespace nightwatt::storage
