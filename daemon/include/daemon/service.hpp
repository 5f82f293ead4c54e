// The recording service: meters, queue, store thread and control socket wired together.
#pragma once

#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "config/config.hpp"
#include "daemon/control_request.hpp"
#include "daemon/environment.hpp"
#include "daemon/log.hpp"
#include "daemon/supervisor.hpp"
#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::daemon {

/// All that the service takes from outside; whatever is referred to must outlive it.
struct ServiceParts {
  Environment& environment;
  Supervisor& supervisor;
  LogSink log;
  std::function<Result<config::ServiceConfig>()> reload;  ///< reads the config again
  bool handle_signals = true;                             ///< SIGTERM, SIGINT, SIGHUP
  std::function<std::optional<MirrorState>()> mirror{};   ///< how it keeps up, for `status`; may be empty
  std::string boot = {};  ///< names the machine's start that the clock's monotonic() counts from
};

class Service {
 public:
  /// A run command that the store could not obey in this time is withdrawn and refused. Shorter than `nightwatt` waits.
  static constexpr Duration command_time{8'000'000};

  /// Opens the store and the control socket. ErrorKind::unusable where another service has them.
  [[nodiscard]] static Result<std::unique_ptr<Service>> make(config::ServiceConfig config, ServiceParts parts);
  ~Service();

  /// Records until stop() or a signal; then everything is flushed. False: the last readings could not be stored.
  [[nodiscard]] bool run();
  /// run() in pieces, for whoever runs the environment's loop: start(), the loop until stopped(), finish().
  void start();
  [[nodiscard]] bool stopped() const;
  [[nodiscard]] bool finish();
  /// From any thread.
  void stop();
  void reload();

 private:
  class Impl;
  explicit Service(std::unique_ptr<Impl> impl);
  std::unique_ptr<Impl> impl_;
};

}  // namespace nightwatt::daemon
