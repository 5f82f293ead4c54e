// What both ends of the control socket need of the system.
#pragma once

#include <string>

#include "measure/signal/result.hpp"

namespace nightwatt::daemon {

/// A descriptor that closes itself.
class Descriptor {
 public:
  explicit Descriptor(int fd = -1) : fd_(fd) {}
  ~Descriptor();
  Descriptor(Descriptor&& other) noexcept : fd_(other.fd_) { other.fd_ = -1; }
  Descriptor& operator=(Descriptor&&) = delete;
  [[nodiscard]] int get() const { return fd_; }
  [[nodiscard]] bool valid() const { return fd_ >= 0; }

 private:
  int fd_;
};

/// A connected, non-blocking stream socket; ErrorKind::unusable, and errno as it was, where nobody listens.
[[nodiscard]] Result<Descriptor> connect_unix(const std::string& path);

/// Removes a socket file on which nobody listens. ErrorKind::unusable: somebody does, or it is no socket.
[[nodiscard]] Result<void> clear_stale_socket(const std::string& path);

}  // namespace nightwatt::daemon
