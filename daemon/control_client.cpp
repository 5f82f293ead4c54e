#include <poll.h>
#include <sys/socket.h>

#include <array>
#include <cerrno>
#include <chrono>
#include <system_error>

#include "daemon/control.hpp"
#include "unix_socket.hpp"

namespace nightwatt::daemon {
namespace {

using Steady = std::chrono::steady_clock;

constexpr int retry_ms = 10;  // between two tries to join the service's queue of callers

Error no_answer(const std::string& path, const std::string& why) {
  return {ErrorKind::unusable,
          "the service on " + path + " gives no answer (" + why + "): see `nightwatt status` and its log"};
}

// Waits until the socket is ready for `events`; false when the time is up.
bool wait_for(int socket, short events, Steady::time_point until) {
  for (;;) {
    const auto left = std::chrono::ceil<std::chrono::milliseconds>(until - Steady::now()).count();
    if (left <= 0) return false;
    pollfd entry{socket, events, 0};
    const int ready = ::poll(&entry, 1, static_cast<int>(left));
    if (ready > 0) return true;
    if (ready < 0 && errno != EINTR) return false;
  }
}

// EAGAIN: more callers at once than may queue; the service takes them one after the other.
Result<Descriptor> connect_in_turn(const std::string& path, Steady::time_point until) {
  for (;;) {
    auto socket = connect_unix(path);
    if (socket || errno != EAGAIN || Steady::now() >= until) return socket;
    (void)::poll(nullptr, 0, retry_ms);
  }
}

Result<void> send_all(int socket, std::string_view bytes, const std::string& path, Steady::time_point until) {
  while (!bytes.empty()) {
    if (!wait_for(socket, POLLOUT, until)) return tl::unexpected(no_answer(path, "timed out"));
    const ssize_t sent = ::send(socket, bytes.data(), bytes.size(), MSG_NOSIGNAL);
    if (sent < 0 && errno != EAGAIN && errno != EINTR)
      return tl::unexpected(no_answer(path, std::generic_category().message(errno)));
    if (sent > 0) bytes.remove_prefix(static_cast<std::size_t>(sent));
  }
  return {};
}

Result<std::string> receive_line(int socket, const std::string& path, Steady::time_point until) {
  std::string answer;
  std::array<char, 4096> chunk{};
  while (answer.size() < control_answer_limit) {
    if (!wait_for(socket, POLLIN, until)) return tl::unexpected(no_answer(path, "timed out"));
    const ssize_t got = ::recv(socket, chunk.data(), chunk.size(), 0);
    if (got < 0 && (errno == EAGAIN || errno == EINTR)) continue;
    if (got < 0) return tl::unexpected(no_answer(path, std::generic_category().message(errno)));
    if (got == 0) return tl::unexpected(no_answer(path, "it hung up"));
    answer.append(chunk.data(), static_cast<std::size_t>(got));
    const std::size_t end = answer.find('\n');
    if (end != std::string::npos) return answer.substr(0, end);
  }
  return tl::unexpected(no_answer(path, "its answer is too long"));
}

}  // namespace

Result<std::string> control_call(const std::string& socket_path, std::string_view request_line, double timeout_s) {
  const auto until = Steady::now() + std::chrono::microseconds(static_cast<std::int64_t>(timeout_s * 1e6));
  std::string request(request_line);
  if (request.empty() || request.back() != '\n') request += '\n';
  if (request.size() > control_request_limit) {
    return fail(ErrorKind::input, "request of " + std::to_string(request.size()) + " bytes; the service takes " +
                                      std::to_string(control_request_limit) + ": shorten the note or the lists");
  }
  const auto socket = connect_in_turn(socket_path, until);
  if (!socket) {
    return fail(ErrorKind::unusable, socket.error().message + "; is the service running, and may you use its socket?");
  }
  if (auto sent = send_all(socket->get(), request, socket_path, until); !sent) return tl::unexpected(sent.error());
  return receive_line(socket->get(), socket_path, until);
}

}  // namespace nightwatt::daemon
