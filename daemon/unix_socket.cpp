#include "unix_socket.hpp"

#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <system_error>

namespace nightwatt::daemon {

Descriptor::~Descriptor() {
  if (fd_ >= 0) ::close(fd_);
}

Result<Descriptor> connect_unix(const std::string& path) {
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  if (path.empty() || path.size() >= sizeof address.sun_path) {
    return fail(ErrorKind::unusable, "control socket path has " + std::to_string(path.size()) +
                                         " bytes; the system takes " + std::to_string(sizeof address.sun_path - 1) +
                                         ": set a shorter [control] socket");
  }
  std::memcpy(address.sun_path, path.c_str(), path.size() + 1);
  Descriptor socket(::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0));
  if (!socket.valid()) return fail(ErrorKind::unusable, "no socket: " + std::generic_category().message(errno));
  // The cast is how the sockets interface takes every kind of address (POSIX <sys/socket.h>).
  if (::connect(socket.get(), reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0) {
    const int why = errno;
    auto failure = fail(ErrorKind::unusable, "control socket " + path + ": " + std::generic_category().message(why));
    errno = why;
    return failure;
  }
  return socket;
}

Result<void> clear_stale_socket(const std::string& path) {
  struct stat info {};
  if (::lstat(path.c_str(), &info) != 0) return {};
  if (!S_ISSOCK(info.st_mode)) {
    return fail(ErrorKind::unusable, path + " is in the way of the control socket: move it, or set [control] socket");
  }
  errno = 0;
  const auto answered = connect_unix(path);
  // EAGAIN: somebody listens and is too busy to accept.
  if (answered || errno == EAGAIN) {
    return fail(ErrorKind::unusable, "another service answers on " + path + ": stop it, or set [control] socket");
  }
  if (errno != ECONNREFUSED) return tl::unexpected(answered.error());
  if (::unlink(path.c_str()) != 0) {
    return fail(ErrorKind::unusable,
                "left-over socket " + path + " cannot be removed: " + std::generic_category().message(errno));
  }
  return {};
}

}  // namespace nightwatt::daemon
