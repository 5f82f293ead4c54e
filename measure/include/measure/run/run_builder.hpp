// Builds one run from its readings: the one path that live data, imports and making anew all take.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "measure/run/run_totals.hpp"
#include "measure/segment/segmenter.hpp"
#include "measure/signal/held_power.hpp"
#include "measure/signal/reading.hpp"
#include "measure/signal/result.hpp"

namespace nightwatt {

/// A power that a display shows, and since when.
struct ShownSince {
  UtcTime since;
  double power_w = 0.0;
};

[[nodiscard]] Reporting reporting_of(const MeterTraits& traits);

/// What a builder had made of its readings up to one of them (`as_of`): a builder restored from it goes on when the
/// readings after that are pushed again.
struct SavedRun {
  std::string segmenter, totals;  ///< the builder's own bytes
  UtcTime as_of;
};

/// A run's segmenter and totals, which see the same readings. The same readings give the same run, in whatever chunks,
/// with or without a save() and restore() in between.
class RunBuilder {
 public:
  explicit RunBuilder(SegmenterSettings settings);
  /// Goes on from what was saved. ErrorKind::input: the bytes are not those of a run with such settings.
  [[nodiscard]] static Result<RunBuilder> restore(SegmenterSettings settings, const SavedRun& saved);

  /// Of a meter that reports on change, before the first reading: what it showed when the run began.
  void begin_held(const ShownSince& shown, UtcTime begin);
  /// Times must rise.
  void push(const Reading& reading);
  /// The run ends here: everything becomes final. No push() after it.
  void finish(UtcTime end);

  /// The stretches that became final since the last call, in order, each once.
  [[nodiscard]] std::vector<Regime> take_final() { return segmenter_.take_final(); }
  /// After take_final(), whose stretches are the caller's and not saved here. Only once there was a reading.
  [[nodiscard]] std::string saved_segmenter() const;
  [[nodiscard]] std::string saved_totals() const { return totals_.save(); }

  [[nodiscard]] const RunTotals& totals() const { return totals_; }
  [[nodiscard]] const Segmenter& segmenter() const { return segmenter_; }
  [[nodiscard]] std::optional<UtcTime> last_pushed() const { return as_of_; }
  /// Of a meter that reports on change: how long a reading holds.
  [[nodiscard]] std::optional<double> hold_limit_s() const;

 private:
  void see(UtcTime time, double power_w) { segmenter_.push(time, power_w); }
  Segmenter segmenter_;
  RunTotals totals_;
  std::optional<HeldPower> held_;  ///< of a meter that reports on change, what the segmenter sees
  std::optional<UtcTime> as_of_;
};

}  // namespace nightwatt
