// What one receiver is still to be told: in order, one at a time, each tried a limited number of times.
#pragma once

#include <cstddef>
#include <cstdint>
#include <deque>
#include <optional>

#include "daemon/notification_message.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::daemon {

/// No clock, no process, no socket: it is told what time it is and how a try went. One thread.
class NotificationQueue {
 public:
  /// A night's worth: a receiver that has been away for longer than these took to come is not told the rest.
  static constexpr std::size_t limit = 32;
  /// Before the second try, doubling with each up to the longest.
  static constexpr Duration first_pause{5'000'000};
  static constexpr Duration longest_pause{300'000'000};

  explicit NotificationQueue(int tries) : tries_(tries) {}

  /// False: full, the message is not told.
  [[nodiscard]] bool push(NotificationMessage message, MonoTime now);
  /// When the oldest may be tried; nullopt: nothing waits, or a try is on its way.
  [[nodiscard]] std::optional<MonoTime> due() const;
  /// Begins a try of the oldest; only where due() has come.
  const NotificationMessage& start();

  enum class Outcome : std::uint8_t { told, again, given_up };
  /// The try that was begun is over.
  Outcome finish(bool told, MonoTime now);

  [[nodiscard]] std::size_t size() const { return waiting_.size(); }

 private:
  int tries_;
  std::deque<NotificationMessage> waiting_;
  int tried_ = 0;  ///< the oldest
  bool on_its_way_ = false;
  MonoTime next_;
  Duration pause_{first_pause};
};

}  // namespace nightwatt::daemon
