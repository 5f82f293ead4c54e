// The status page: a thread that shows the running service to browsers and collectors, and touches nothing.
#pragma once

#include <functional>
#include <memory>
#include <string>

#include "config/config.hpp"
#include "daemon/environment.hpp"
#include "daemon/log.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::daemon {

namespace page {
struct State;
}

/// What the page takes from the service; whatever is referred to must outlive it.
struct PageParts {
  const Clock& clock;
  LogSink log;
  std::string store_path;
  /// Asks the loop how it is going. The answer may come on any thread, once, or never where the loop has stopped.
  std::function<void(std::function<void(page::State)>)> ask_state;
};

/// Off until configured; then a thread for the clients and one that reads the store for them, so that clients never
/// delay a reading. Its own calls come from the loop thread and return at once, stop() excepted.
class StatusPage final : public Showing {
 public:
  explicit StatusPage(PageParts parts);
  ~StatusPage() override;

  void configure(const config::PageConfig& config) override;
  void stop() override;

 private:
  class Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace nightwatt::daemon
