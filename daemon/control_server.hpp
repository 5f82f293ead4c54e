// The service's end of the control socket.
#pragma once

#include <boost/asio/io_context.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/steady_timer.hpp>
#include <chrono>
#include <cstddef>
#include <functional>
#include <list>
#include <memory>
#include <string>

#include "daemon/environment.hpp"
#include "daemon/log.hpp"
#include "measure/signal/result.hpp"

namespace nightwatt::daemon {

/// Serves at most `client_limit` callers at a time, each with a bounded request and a bounded time. One too many takes
/// the place of the one that has kept its request back for longest, so that idle callers lock nobody out. Loop thread.
class ControlServer final : public ControlDoor {
 public:
  static constexpr std::size_t client_limit = 16;         ///< people and scripts at one machine; each costs up to 16 kB
  static constexpr std::chrono::seconds request_time{5};  ///< for the whole request, and again for taking the answer
  static constexpr int backlog = 16;
  static constexpr std::chrono::milliseconds accept_retry{250};  ///< after a failed accept (out of descriptors)

  ControlServer(boost::asio::io_context& io, Handler handler);
  ~ControlServer() override;

  /// Makes the socket (mode 0660). One that is left over is replaced; ErrorKind::unusable where somebody answers on it,
  /// where it is no socket, or where it cannot be made.
  [[nodiscard]] Result<void> listen(const std::string& path) override;
  /// Lets go of every caller and removes the socket.
  void stop() override;

 private:
  class Client;
  void accept();
  void serve(boost::asio::local::stream_protocol::socket socket);

  Handler handler_;
  boost::asio::local::stream_protocol::acceptor acceptor_;
  boost::asio::steady_timer accept_pause_;
  std::string path_;
  std::list<std::weak_ptr<Client>> clients_;  ///< oldest first
  bool stopped_ = false;
};

}  // namespace nightwatt::daemon
