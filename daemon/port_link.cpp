#include "port_link.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <algorithm>
#include <boost/asio/buffer.hpp>
#include <boost/asio/error.hpp>
#include <cerrno>
#include <system_error>
#include <utility>

namespace nightwatt::daemon {

namespace asio = boost::asio;
using boost::system::error_code;

PortLink::PortLink(asio::io_context& io, config::MeterConfig config, std::unique_ptr<MeterSession> session,
                   TimeKeeper& time, PortOpener open_port)
    : config_(std::move(config)),
      session_(std::move(session)),
      time_(time),
      open_port_(std::move(open_port)),
      descriptor_(io),
      tick_timer_(io),
      retry_timer_(io) {}

void PortLink::start() {
  open();
}

void PortLink::stop() {
  stopped_ = true;
  retry_timer_.cancel();
  let_go();
}

void PortLink::open() {
  if (stopped_) return;
  auto port = open_port_(config_);
  if (!port) return lose(port.error().state, port.error().why);
  // Asio closes what it is given, and the keeper closes its own.
  const int copy = ::fcntl(port->descriptor, F_DUPFD_CLOEXEC, 0);
  error_code failed;
  if (copy >= 0) descriptor_.assign(copy, failed);
  if (copy < 0 || failed) {
    if (copy >= 0) ::close(copy);
    return lose("failed", "cannot wait on the port: " + std::generic_category().message(errno));
  }
  descriptor_.native_non_blocking(true, failed);
  keeper_ = std::move(port->keeper);
  session_->port_opened(time_.now(), port->where);
  wait_for_bytes();
  session_->tick(time_.now());
  after_session();
}

void PortLink::let_go() {
  tick_timer_.cancel();
  armed_for_.reset();
  waiting_for_room_ = false;
  error_code ignored;
  descriptor_.close(ignored);
  keeper_.reset();
}

void PortLink::lose(const std::string& state, const std::string& why) {
  if (stopped_) return;
  let_go();
  session_->port_failed(time_.now(), state, why);
  retry_timer_.expires_after(back_off_.next());
  retry_timer_.async_wait([weak = weak_from_this()](error_code ec) {
    const auto self = weak.lock();
    if (self && !ec) self->open();
  });
}

void PortLink::wait_for_bytes() {
  descriptor_.async_wait(asio::posix::stream_descriptor::wait_read, [weak = weak_from_this()](error_code ec) {
    const auto self = weak.lock();
    if (!self || ec == asio::error::operation_aborted || self->stopped_) return;
    if (ec) return self->lose("missing", "lost: " + ec.message());
    self->read_bytes();
  });
}

// Read by hand after the wait, so that the bytes are stamped before anything else is done with them. One read a
// wake-up: a port that never stops talking must not starve the others.
void PortLink::read_bytes() {
  const ssize_t got = ::read(descriptor_.native_handle(), buffer_.data(), buffer_.size());
  const MonoTime now = time_.now();
  if (got < 0 && (errno == EAGAIN || errno == EINTR)) return wait_for_bytes();
  if (got < 0) return lose("missing", "lost: " + std::generic_category().message(errno));
  if (got == 0) return lose("missing", "lost: the other end hung up");
  back_off_.reset();  // not at the opening: one that opens and dies at once is not to be tried without end
  session_->feed(std::span(buffer_).first(static_cast<std::size_t>(got)), now);
  wait_for_bytes();
  after_session();
}

void PortLink::after_session() {
  send();
  arm_tick();
}

void PortLink::send() {
  std::vector<std::byte>& unsent = session_->to_send();
  if (unsent.empty() || waiting_for_room_ || !descriptor_.is_open()) return;
  const ssize_t written = ::write(descriptor_.native_handle(), unsent.data(), unsent.size());
  if (written < 0 && errno != EAGAIN && errno != EINTR) {
    return lose("missing", "lost: " + std::generic_category().message(errno));
  }
  if (written > 0) unsent.erase(unsent.begin(), unsent.begin() + written);
  if (unsent.size() > unsent_limit) unsent.clear();
  if (!unsent.empty()) wait_for_room();
}

void PortLink::wait_for_room() {
  waiting_for_room_ = true;
  descriptor_.async_wait(asio::posix::stream_descriptor::wait_write, [weak = weak_from_this()](error_code ec) {
    const auto self = weak.lock();
    if (!self || ec) return;
    self->waiting_for_room_ = false;
    self->send();
  });
}

void PortLink::arm_tick() {
  const auto next = session_->next_tick();
  if (!next || !descriptor_.is_open()) {
    armed_for_.reset();
    tick_timer_.cancel();
    return;
  }
  if (armed_for_ == next) return;
  armed_for_ = next;
  // A tick a moment too early would do nothing and be armed again at once.
  constexpr Duration slack{200};
  tick_timer_.expires_after(std::max(*next - time_.now(), Duration(0)) + slack);
  tick_timer_.async_wait([weak = weak_from_this()](error_code ec) {
    const auto self = weak.lock();
    if (!self || ec || self->stopped_) return;
    self->armed_for_.reset();
    self->session_->tick(self->time_.now());
    self->after_session();
  });
}

}  // namespace nightwatt::daemon
