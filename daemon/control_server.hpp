// The service's end of the control socket.
#pragma once

#include <boost/asio/io_context.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/steady_timer.hpp>
#include <chrono>
#include <cstddef>
#include <functional>
#include <memory>
#include <string>

#include "daemon/control_request.hpp"
#include "daemon/log.hpp"
#include "measure/result.hpp"

namespace nightwatt::daemon {

/// Accepts at most `client_limit` callers at a time, each with a bounded request and a bounded time. Loop thread.
class ControlServer {
 public:
  static constexpr std::size_t client_limit = 16;         ///< people and scripts at one machine; each costs up to 16 kB
  static constexpr std::chrono::seconds request_time{5};  ///< for the whole request, and again for taking the answer
  static constexpr int backlog = 16;
  static constexpr std::chrono::milliseconds accept_retry{250};  ///< after a failed accept (out of descriptors)

  using Reply = std::function<void(std::string)>;
  using Handler = std::function<void(ControlRequest, Reply)>;

  ControlServer(boost::asio::io_context& io, Handler handler);
  ~ControlServer();

  /// Makes the socket (mode 0660). One that is left over is replaced; ErrorKind::unusable where somebody answers on it,
  /// where it is no socket, or where it cannot be made.
  [[nodiscard]] Result<void> listen(const std::string& path);
  /// Lets go of every caller and removes the socket.
  void stop();

 private:
  class Client;
  void accept();

  boost::asio::io_context& io_;
  Handler handler_;
  boost::asio::local::stream_protocol::acceptor acceptor_;
  boost::asio::steady_timer accept_pause_;
  std::string path_;
  std::shared_ptr<std::size_t> clients_;
  bool stopped_ = false;
};

}  // namespace nightwatt::daemon
