// Tells the receivers of the config what happened, on a thread of its own, so that no reading ever waits for them.
#pragma once

#include <atomic>
#include <cstdint>
#include <memory>
#include <vector>

#include "config/config.hpp"
#include "daemon/environment.hpp"
#include "daemon/log.hpp"
#include "daemon/tell_message.hpp"
#include "measure/time.hpp"

namespace nightwatt::daemon {

/// tell() from any thread; the rest from the loop's. The thread is there once a receiver is.
class Teller final : public Telling {
 public:
  /// Messages on their way from other threads; while its own thread starts a program from a slow disk, say.
  static constexpr std::size_t handed_over_limit = 256;

  Teller(const Clock& clock, LogSink log);
  ~Teller() override;
  Teller(const Teller&) = delete;
  Teller& operator=(const Teller&) = delete;

  void configure(const std::vector<config::TellConfig>& receivers) override;
  void tell(TellMessage message) override;
  void tell(std::size_t receiver, TellMessage message) override;
  [[nodiscard]] TellCounts counts() const override;
  void stop() override;

 private:
  class Impl;
  std::shared_ptr<Impl> impl_;
};

}  // namespace nightwatt::daemon
