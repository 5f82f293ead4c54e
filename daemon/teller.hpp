// Tells the receivers of the config what happened, on a thread of its own, so that no reading ever waits for them.
#pragma once

#include <atomic>
#include <cstdint>
#include <memory>
#include <vector>

#include "config/config.hpp"
#include "daemon/log.hpp"
#include "daemon/tell_message.hpp"
#include "measure/time.hpp"

namespace nightwatt::daemon {

/// Since the service started, over all receivers.
struct TellCounts {
  std::uint64_t told = 0;
  std::uint64_t failed = 0;    ///< tries that failed
  std::uint64_t given_up = 0;  ///< messages nobody was told of: tried in vain, or no room in the queue
  std::uint64_t waiting = 0;
};

/// tell() from any thread; the rest from the loop's. The thread is there once a receiver is.
class Teller {
 public:
  /// Messages on their way from other threads; while its own thread starts a program from a slow disk, say.
  static constexpr std::size_t handed_over_limit = 256;

  Teller(const Clock& clock, LogSink log);
  ~Teller();
  Teller(const Teller&) = delete;
  Teller& operator=(const Teller&) = delete;

  /// Receivers that stay the same keep what they are still to be told; of the others it is dropped.
  void configure(const std::vector<config::TellConfig>& receivers);
  /// Tells every receiver that wants this kind of event.
  void tell(TellMessage message);
  /// Tells one, by its place in the config as last configured.
  void tell(std::size_t receiver, TellMessage message);
  [[nodiscard]] TellCounts counts() const;
  /// Kills what runs and drops what waits. Takes some milliseconds.
  void stop();

 private:
  class Impl;
  std::shared_ptr<Impl> impl_;
};

}  // namespace nightwatt::daemon
