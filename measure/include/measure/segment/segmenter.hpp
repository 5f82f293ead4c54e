// Turns a run's power readings into segments, one reading at a time, with bounded memory.
//
// Two halves. The Segmenter is online: it cuts the stream into *stretches* (steady, ramp, unsteady, gap) and hands each
// out once it can no longer change. classify() is a pure function of all stretches of a run: it names the kinds and
// makes the figures. The same readings give the same stretches bit for bit, in whatever chunks, live or imported, with
// or without a save() and restore() in between.
#pragma once

#include <memory>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "measure/segment/segment.hpp"
#include "measure/signal/learnt.hpp"
#include "measure/signal/meter_profile.hpp"
#include "measure/signal/result.hpp"
#include "measure/uncertainty/regime.hpp"

namespace nightwatt {

struct SegmenterSettings {
  MeterTraits traits;
  double shortest_segment_s = 20.0;  ///< [1, 3600]; a steady segment holds also at least three readings
};

class Segmenter {
 public:
  explicit Segmenter(SegmenterSettings settings);
  ~Segmenter();
  Segmenter(Segmenter&&) noexcept;
  Segmenter& operator=(Segmenter&&) noexcept;

  /// Takes one power reading. Times must rise; a reading not later than the last is ignored. `power_w` is finite.
  void push(UtcTime time, double power_w);

  /// Takes the energy counter's value at that time; to be called before the power reading of the same time is pushed.
  void push_counter(UtcTime time, double counter_wh);

  /// The run ends here: everything becomes final. No push() after it.
  void finish(UtcTime end);

  /// The stretches that became final since the last call, in order, each once, without hole or overlap.
  [[nodiscard]] std::vector<Regime> take_final();

  /// The stretches not final yet, as if the record ended with the last reading. Does not change the state.
  [[nodiscard]] std::vector<Regime> provisional() const;

  [[nodiscard]] Learnt learnt() const;

  /// The whole state, below 1 MB; restore() goes on as if nothing had happened.
  [[nodiscard]] std::string save() const;
  [[nodiscard]] static Result<Segmenter> restore(SegmenterSettings settings, std::string_view state);

 private:
  class Impl;
  std::unique_ptr<Impl> impl_;
};

struct ClassifyInput {
  SegmenterSettings settings;
  Learnt learnt;
  UtcTime run_begin;
  UtcTime run_end;              ///< end, or the last reading of an open run
  bool open = false;            ///< the run is live: what came from provisional() is marked open
  std::size_t final_count = 0;  ///< how many of the stretches are final
  std::vector<KindMark> marks;
};

struct Classified {
  std::vector<Segment> segments;      ///< cover run_begin to run_end without hole or overlap
  std::vector<std::string> warnings;  ///< what the record cannot tell, one sentence each
};

/// Names the kinds and makes the figures. Pure: same input, same output.
[[nodiscard]] Classified classify(std::span<const Regime> regimes, const ClassifyInput& input);

}  // namespace nightwatt
