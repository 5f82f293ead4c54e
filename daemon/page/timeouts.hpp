// When a client of the page has had time enough.
#pragma once

#include <optional>

#include "limits.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::daemon::page {

/// One for each connection; told what happens to it, asked now and then. Page thread; no clock of its own.
class Timeouts {
 public:
  enum class Phase : std::uint8_t {
    idle,     ///< no byte of a request yet
    request,  ///< its header is coming
    answer,   ///< the store is being read for it
    sending,  ///< the answer is going out
    stream,   ///< a live stream; something waits to be sent or not
    parting,  ///< refused; what still comes is thrown away
  };

  explicit Timeouts(MonoTime now) : since_(now) {}

  void enter(Phase phase, MonoTime now) {
    phase_ = phase;
    since_ = now;
  }
  [[nodiscard]] Phase phase() const { return phase_; }
  [[nodiscard]] MonoTime since() const { return since_; }

  /// The client took some bytes, or there are new ones for one that had taken all.
  void moved(MonoTime now) { since_ = now; }
  /// A watcher said what it has seen.
  void seen(MonoTime now) { seen_ = now; }
  /// Whether it ever did.
  [[nodiscard]] bool tells() const { return seen_.has_value(); }

  /// `unsent`: whether bytes wait for it.
  [[nodiscard]] bool over(MonoTime now, bool unsent) const {
    if (phase_ == Phase::stream) {
      if (unsent && now - since_ > stall_time) return true;
      return seen_ && now - *seen_ > seen_time;
    }
    return now - since_ > limit();
  }

 private:
  [[nodiscard]] Duration limit() const {
    switch (phase_) {
      case Phase::idle:
        return idle_time;
      case Phase::request:
        return request_time;
      case Phase::answer:
        return answer_time;
      case Phase::parting:
        return parting_time;
      case Phase::sending:
      case Phase::stream:
        break;
    }
    return stall_time;
  }

  Phase phase_ = Phase::idle;
  MonoTime since_;
  std::optional<MonoTime> seen_;
};

}  // namespace nightwatt::daemon::page
