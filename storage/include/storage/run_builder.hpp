// Builds one run from its readings: the one path that live data, imports and re-segmentation all take.
#pragma once

#include <optional>
#include <vector>

#include "measure/run_totals.hpp"
#include "measure/segmenter.hpp"
#include "storage/store.hpp"

namespace nightwatt::storage {

/// Owns a run's segmenter and totals, and keeps their state in the store. Readings themselves are appended by the
/// caller in the same transaction. One thread.
class RunBuilder {
 public:
  /// A run just opened.
  RunBuilder(RunId run, SegmenterSettings settings);
  /// A run of the store: restores its resume mark and replays the readings after it.
  [[nodiscard]] static Result<RunBuilder> resume(const StoreReader& store, RunId run);

  void push(const Reading& reading);
  /// Writes what became final since the last call, and the resume mark. Call at least every few thousand readings; in
  /// between nothing of the run needs to be written, since a reader replays the readings.
  [[nodiscard]] Result<void> save(StoreWriter& store);
  /// Ends the run at `end`: everything final, written, and the run closed. Between begin() and commit().
  [[nodiscard]] Result<void> finish(StoreWriter& store, UtcTime end);

  [[nodiscard]] RunId run() const { return run_; }
  [[nodiscard]] const RunTotals& totals() const { return totals_; }
  [[nodiscard]] const Segmenter& segmenter() const { return segmenter_; }

 private:
  RunId run_;
  SegmenterSettings settings_;
  Segmenter segmenter_;
  RunTotals totals_;
  std::optional<UtcTime> as_of_;
};

/// A run as one asks for it: final and provisional segments, totals, warnings. For closed and open runs alike.
struct RunFigures {
  RunInfo info;
  std::vector<Segment> segments;
  std::vector<std::string> segment_warnings;
  RunTotals totals;
  Duration shift{0};    ///< add to every time of the run to show it
  int clock_steps = 0;  ///< during the run
};
[[nodiscard]] Result<RunFigures> run_figures(const StoreReader& store, RunId run);

}  // namespace nightwatt::storage
