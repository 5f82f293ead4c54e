// Keeps one meter's port open and its session fed: opening, open, waiting to try again.
#pragma once

#include <array>
#include <boost/asio/io_context.hpp>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <boost/asio/steady_timer.hpp>
#include <cstddef>
#include <memory>
#include <optional>
#include <vector>

#include "daemon/meter_session.hpp"
#include "daemon/port_opener.hpp"
#include "drivers/port.hpp"

namespace nightwatt::daemon {

/// Loop thread. stop() before the end of the io_context's run lets go of everything; handlers of a link that is gone do
/// nothing (they hold it weakly).
class PortLink : public std::enable_shared_from_this<PortLink> {
 public:
  /// One read takes at most this: a terminal hands out no more at once.
  static constexpr std::size_t read_limit = 4096;
  /// Bytes to a port that takes none are thrown away beyond this; the decoder asks again.
  static constexpr std::size_t unsent_limit = 4096;

  PortLink(boost::asio::io_context& io, config::MeterConfig config, std::unique_ptr<MeterSession> session,
           TimeKeeper& time, PortOpener open_port);

  void start();
  void stop();
  [[nodiscard]] const config::MeterConfig& config() const { return config_; }
  [[nodiscard]] const MeterSession& session() const { return *session_; }
  [[nodiscard]] MeterSession& session() { return *session_; }

 private:
  void open();
  void lose(const std::string& state, const std::string& why);
  void let_go();
  void wait_for_bytes();
  void read_bytes();
  void after_session();
  void send();
  void wait_for_room();
  void arm_tick();

  const config::MeterConfig config_;
  std::unique_ptr<MeterSession> session_;
  TimeKeeper& time_;
  PortOpener open_port_;
  boost::asio::posix::stream_descriptor descriptor_;
  boost::asio::steady_timer tick_timer_;
  boost::asio::steady_timer retry_timer_;
  std::shared_ptr<void> keeper_;
  std::optional<MonoTime> armed_for_;
  drivers::PortBackOff back_off_;
  bool waiting_for_room_ = false;
  bool stopped_ = false;
  std::array<std::byte, read_limit> buffer_{};
};

}  // namespace nightwatt::daemon
