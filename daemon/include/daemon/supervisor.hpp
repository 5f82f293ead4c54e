// What the service tells the system's service manager, where one asked for it.
#pragma once

#include <optional>
#include <string_view>

#include "measure/signal/time.hpp"

namespace nightwatt::daemon {

/// The seam to it; main hands in SystemdSupervisor. Loop thread.
class Supervisor {
 public:
  virtual ~Supervisor() = default;
  virtual void ready() {}
  virtual void reloading() {}
  virtual void stopping() {}
  virtual void alive() {}
  /// alive() must be called at least this often; nullopt: nobody watches.
  [[nodiscard]] virtual std::optional<Duration> watchdog() const { return std::nullopt; }
};

/// sd_notify(3) and sd_watchdog_enabled(3); does nothing where the service was not started by systemd.
class SystemdSupervisor final : public Supervisor {
 public:
  void ready() override;
  void reloading() override;
  void stopping() override;
  void alive() override;
  [[nodiscard]] std::optional<Duration> watchdog() const override;
};

}  // namespace nightwatt::daemon
