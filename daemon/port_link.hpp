// Keeps one meter's port open and its session fed: opening, open, waiting to try again.
#pragma once

#include <array>
#include <cstddef>
#include <memory>
#include <optional>
#include <span>
#include <vector>

#include "daemon/environment.hpp"
#include "daemon/meter_session.hpp"
#include "daemon/port_tap.hpp"
#include "drivers/port.hpp"

namespace nightwatt::daemon {

/// Loop thread. stop() lets go of everything; calls that a link waits for are not made once it is gone.
class PortLink {
 public:
  /// One read takes at most this: a terminal hands out no more at once.
  static constexpr std::size_t read_limit = 4096;
  /// Bytes to a port that takes none are thrown away beyond this; the decoder asks again.
  static constexpr std::size_t unsent_limit = 4096;

  PortLink(Environment& environment, config::MeterConfig config, std::unique_ptr<MeterSession> session,
           TimeKeeper& time);

  void start();
  void stop();
  [[nodiscard]] const config::MeterConfig& config() const { return config_; }
  [[nodiscard]] const MeterSession& session() const { return *session_; }
  [[nodiscard]] MeterSession& session() { return *session_; }
  [[nodiscard]] PortTap& tap() { return tap_; }

 private:
  void open();
  void wait_for_connection();
  void begin();
  void watch_silence();
  void notify_silence();
  void lose(const std::string& state, const std::string& why);
  [[nodiscard]] Duration wait_after(const std::string& state);
  void let_go();
  void wait_for_bytes();
  void read_bytes();
  void after_session();
  void show(MonoTime now, bool sent, std::span<const std::byte> bytes);
  void send();
  void wait_for_room();
  void change_line();
  void arm_tick();

  const config::MeterConfig config_;
  std::unique_ptr<MeterSession> session_;
  TimeKeeper& time_;
  Environment& environment_;
  std::unique_ptr<Timer> tick_timer_;
  std::unique_ptr<Timer> retry_timer_;
  std::unique_ptr<Timer> line_timer_;
  std::unique_ptr<Timer> silence_timer_;
  std::unique_ptr<Timer> hold_timer_;
  std::unique_ptr<Port> port_;  ///< while it is open
  std::optional<MonoTime> armed_for_;
  drivers::PortBackOff back_off_;
  bool waiting_for_room_ = false;
  bool changing_line_ = false;
  PortTap tap_;
  const bool network_;  ///< a connection: the other end may be gone without a word
  MonoTime tried_at_{};
  MonoTime heard_at_{};
  bool stopped_ = false;
  std::array<std::byte, read_limit> buffer_{};
};

}  // namespace nightwatt::daemon
