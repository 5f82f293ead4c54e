#include "page_client.hpp"

#include <arpa/inet.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cerrno>
#include <stdexcept>

#include "harness.hpp"

namespace nightwatt::process {
namespace {

sockaddr_in loopback(int port) {
  sockaddr_in address{};
  address.sin_family = AF_INET;
  address.sin_port = htons(static_cast<std::uint16_t>(port));
  address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  return address;
}

}  // namespace

PortHolder::PortHolder(int port) : fd_(::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0)) {
  sockaddr_in address = loopback(port);
  socklen_t length = sizeof address;
  if (::bind(fd_, reinterpret_cast<sockaddr*>(&address), length) != 0 || ::listen(fd_, 1) != 0 ||
      ::getsockname(fd_, reinterpret_cast<sockaddr*>(&address), &length) != 0)
    throw std::runtime_error("no port to hold");
  port_ = ntohs(address.sin_port);
}

PortHolder::~PortHolder() {
  ::close(fd_);
}

int free_port() {
  return PortHolder().port();
}

PageClient::PageClient(int port) : fd_(::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0)) {
  const sockaddr_in address = loopback(port);
  connected_ = ::connect(fd_, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0;
  ::fcntl(fd_, F_SETFL, O_NONBLOCK);
}

PageClient::~PageClient() {
  if (fd_ >= 0) ::close(fd_);
}

bool PageClient::send(const std::string& bytes) const {
  return ::send(fd_, bytes.data(), bytes.size(), MSG_NOSIGNAL) >= 0 || errno == EAGAIN;
}

bool PageClient::read() {
  char buffer[65536];
  for (;;) {
    const ssize_t n = ::recv(fd_, buffer, sizeof buffer, 0);
    if (n < 0 && errno == EAGAIN) return true;
    if (n <= 0) return false;
    got_.append(buffer, static_cast<std::size_t>(n));
  }
}

std::string PageClient::answer(double limit_s) {
  (void)eventually(limit_s, [this] { return !read(); });
  return got_;
}

bool PageClient::dropped() const {
  pollfd entry{fd_, POLLRDHUP, 0};
  return ::poll(&entry, 1, 0) > 0 && (entry.revents & (POLLRDHUP | POLLHUP | POLLERR)) != 0;
}

std::string ask_page(int port, const std::string& target, const std::string& more_headers) {
  PageClient client(port);
  client.send("GET " + target + " HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n" + more_headers + "\r\n");
  return client.answer(10.0);
}

std::optional<double> metric(int port, const std::string& sample) {
  const std::string text = ask_page(port, "/metrics");
  const std::size_t at = text.find("\n" + sample + " ");
  if (at == std::string::npos) return std::nullopt;
  return std::stod(text.substr(at + sample.size() + 2));
}

}  // namespace nightwatt::process
