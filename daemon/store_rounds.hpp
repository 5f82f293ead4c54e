// What the store thread does, in rounds: batches out of the queue into the store, pauses while it cannot be written.
#pragma once

#include <atomic>
#include <cstdint>
#include <optional>

#include "daemon/environment.hpp"
#include "daemon/reading_queue.hpp"
#include "daemon/store_pipeline.hpp"

namespace nightwatt::daemon {

/// Rounds are the store thread's; set_flush() and stop_at() any thread's; the rest is for when there will be no more
/// rounds.
class StoreRounds final : public Work {
 public:
  StoreRounds(ReadingQueue& queue, StorePipeline& pipeline, PipelineState& state, const Clock& clock, Duration flush)
      : queue_(queue), pipeline_(pipeline), state_(state), clock_(clock), flush_us_(flush.count()) {}

  void wait() override;
  [[nodiscard]] std::optional<MonoTime> due() override;
  bool round() override;

  /// How long the first reading of a batch waits for more.
  void set_flush(Duration flush) { flush_us_ = flush.count(); }
  /// The record's instant of the stop that is about to come.
  void stop_at(UtcTime at) { stop_us_ = at.us; }

  [[nodiscard]] bool stored_all() const { return stored_all_; }
  /// Readings that could not be stored at the end.
  [[nodiscard]] std::uint64_t left_over() const { return left_over_; }

 private:
  [[nodiscard]] bool paused() const { return state_.paused; }
  [[nodiscard]] Duration flush() const { return Duration(flush_us_); }

  ReadingQueue& queue_;
  StorePipeline& pipeline_;
  PipelineState& state_;
  const Clock& clock_;
  std::atomic<std::int64_t> flush_us_;
  std::atomic<std::int64_t> stop_us_{0};
  std::optional<ReadingQueue::Wake> woken_;  ///< and not yet done
  std::optional<MonoTime> rest_until_;       ///< of the pause under way
  bool stored_all_ = true;
  std::uint64_t left_over_ = 0;
};

}  // namespace nightwatt::daemon
