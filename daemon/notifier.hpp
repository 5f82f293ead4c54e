// Tells the receivers of the config what happened, on a thread of its own, so that no reading ever waits for them.
#pragma once

#include <atomic>
#include <cstdint>
#include <memory>
#include <vector>

#include "config/config.hpp"
#include "daemon/environment.hpp"
#include "daemon/log.hpp"
#include "daemon/notification_message.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::daemon {

/// tell() from any thread; the rest from the loop's. The thread is there once a receiver is.
class Notifier final : public Notifying {
 public:
  /// Messages on their way from other threads; while its own thread starts a program from a slow disk, say.
  static constexpr std::size_t handed_over_limit = 256;

  Notifier(const Clock& clock, LogSink log);
  ~Notifier() override;
  Notifier(const Notifier&) = delete;
  Notifier& operator=(const Notifier&) = delete;

  void configure(const std::vector<config::NotificationConfig>& receivers) override;
  void tell(NotificationMessage message) override;
  void tell(std::size_t receiver, NotificationMessage message) override;
  [[nodiscard]] NotificationCounts counts() const override;
  void stop() override;

 private:
  class Impl;
  std::shared_ptr<Impl> impl_;
};

}  // namespace nightwatt::daemon
