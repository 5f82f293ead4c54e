#include "control_server.hpp"

#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <boost/asio/buffer.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/write.hpp>
#include <cerrno>
#include <system_error>
#include <utility>

#include "daemon/control.hpp"
#include "unix_socket.hpp"

namespace nightwatt::daemon {

namespace asio = boost::asio;
using boost::system::error_code;
using Protocol = asio::local::stream_protocol;

/// One caller: reads a line, has it obeyed, writes the answer, closes. Kept alive by its own handlers.
class ControlServer::Client : public std::enable_shared_from_this<Client> {
 public:
  Client(Protocol::socket socket, Handler handler)
      : socket_(std::move(socket)), deadline_(socket_.get_executor()), handler_(std::move(handler)) {}

  void start() {
    limit_time();
    read();
  }
  [[nodiscard]] bool keeps_request_back() const { return reading_ && socket_.is_open(); }
  void close() {
    deadline_.cancel();
    error_code ignored;
    socket_.close(ignored);
  }

 private:
  void limit_time() {
    deadline_.expires_after(request_time);
    deadline_.async_wait([weak = weak_from_this()](error_code ec) {
      const auto self = weak.lock();
      if (self && !ec) self->close();
    });
  }

  void read() {
    socket_.async_read_some(asio::buffer(chunk_), [self = shared_from_this()](error_code ec, std::size_t got) {
      if (ec) return self->close();
      self->take(got);
    });
  }

  void take(std::size_t got) {
    line_.append(chunk_.data(), got);
    const std::size_t end = line_.find('\n');
    if (end == std::string::npos && line_.size() < control_request_limit) return read();
    reading_ = false;
    deadline_.cancel();  // obeying it has its own limit
    if (end == std::string::npos || end >= control_request_limit) {
      return answer(
          error_answer({ErrorKind::input, "request: longer than " + std::to_string(control_request_limit) + " bytes"}));
    }
    auto request = parse_control_request(std::string_view(line_).substr(0, end));
    if (!request) return answer(error_answer(request.error()));
    handler_(std::move(*request), [self = shared_from_this()](std::string text) { self->answer(std::move(text)); });
  }

  void answer(std::string text) {
    line_ = std::move(text);
    limit_time();
    asio::async_write(socket_, asio::buffer(line_),
                      [self = shared_from_this()](error_code, std::size_t) { self->close(); });
  }

  Protocol::socket socket_;
  asio::steady_timer deadline_;
  Handler handler_;
  bool reading_ = true;
  std::array<char, 1024> chunk_{};
  std::string line_;
};

ControlServer::ControlServer(asio::io_context& io, Handler handler)
    : handler_(std::move(handler)), acceptor_(io), accept_pause_(io) {}

ControlServer::~ControlServer() {
  stop();
}

Result<void> ControlServer::listen(const std::string& path) {
  if (auto cleared = clear_stale_socket(path); !cleared) return cleared;
  error_code failed;
  acceptor_.open(Protocol(), failed);
  // The mode comes from the mask while it is made, so that it never is wider, not even for a moment.
  const mode_t mask = ::umask(0117);
  if (!failed) acceptor_.bind(Protocol::endpoint(path), failed);
  ::umask(mask);
  if (!failed) path_ = path;
  if (!failed) acceptor_.listen(backlog, failed);
  if (failed) {
    return fail(ErrorKind::unusable, "control socket " + path + " cannot be made: " + failed.message() +
                                         "; make its folder, or set [control] socket");
  }
  accept();
  return {};
}

void ControlServer::accept() {
  acceptor_.async_accept([this](error_code ec, Protocol::socket socket) {
    if (ec == asio::error::operation_aborted || stopped_) return;
    if (!ec) serve(std::move(socket));
    if (!ec) return accept();
    accept_pause_.expires_after(accept_retry);
    accept_pause_.async_wait([this](error_code cancelled) {
      if (!cancelled && !stopped_) accept();
    });
  });
}

void ControlServer::serve(Protocol::socket socket) {
  clients_.remove_if([](const std::weak_ptr<Client>& client) { return client.expired(); });
  if (clients_.size() >= client_limit) {
    const auto idle = std::find_if(clients_.begin(), clients_.end(), [](const std::weak_ptr<Client>& entry) {
      const auto client = entry.lock();
      return client && client->keeps_request_back();
    });
    if (idle == clients_.end()) return;
    idle->lock()->close();
    clients_.erase(idle);
  }
  auto client = std::make_shared<Client>(std::move(socket), handler_);
  clients_.push_back(client);
  client->start();
}

void ControlServer::stop() {
  if (std::exchange(stopped_, true)) return;
  error_code ignored;
  acceptor_.close(ignored);
  accept_pause_.cancel();
  if (!path_.empty()) ::unlink(path_.c_str());
}

}  // namespace nightwatt::daemon
