#include "pseudo_terminal.hpp"

#include <fcntl.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstdio>
#include <cstdlib>
#include <cstring>

namespace nightwatt::sim {
namespace {

tl::unexpected<Error> system_failure(const std::string& what) {
  return fail(ErrorKind::unusable, what + ": " + std::strerror(errno));
}

}  // namespace

Result<void> PseudoTerminal::plug() {
  master_ = ::posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
  std::array<char, 128> name{};
  if (master_ < 0 || ::grantpt(master_) != 0 || ::unlockpt(master_) != 0 ||
      ::ptsname_r(master_, name.data(), name.size()) != 0)
    return system_failure("no pseudo-terminal");
  slave_ = ::open(name.data(), O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
  termios settings{};
  if (slave_ < 0 || ::tcgetattr(slave_, &settings) != 0) return system_failure(name.data());
  ::cfmakeraw(&settings);
  if (::tcsetattr(slave_, TCSANOW, &settings) != 0) return system_failure(name.data());
  return make_link(name.data());
}

Result<void> PseudoTerminal::make_link(const std::string& slave_name) {
  struct stat status {};
  if (::lstat(link_.c_str(), &status) == 0 && !S_ISLNK(status.st_mode))
    return fail(ErrorKind::input, link_ + ": exists and is not a link; name another --link");
  // Made beside and moved over: at no instant is there half a link or, on replacement, none.
  const std::string beside = link_ + "." + std::to_string(::getpid());
  if (::symlink(slave_name.c_str(), beside.c_str()) != 0) return system_failure(beside);
  if (::rename(beside.c_str(), link_.c_str()) != 0) {
    const auto failure = system_failure(link_);
    ::unlink(beside.c_str());
    return failure;
  }
  slave_name_ = slave_name;
  return {};
}

void PseudoTerminal::unplug() {
  if (!slave_name_.empty()) {
    std::array<char, 128> target{};
    const ssize_t length = ::readlink(link_.c_str(), target.data(), target.size());
    // Another simulator may have taken the name over; then it is not ours to remove.
    if (length > 0 && slave_name_ == std::string_view(target.data(), static_cast<std::size_t>(length)))
      ::unlink(link_.c_str());
    slave_name_.clear();
  }
  if (slave_ >= 0) ::close(slave_);
  if (master_ >= 0) ::close(master_);
  slave_ = master_ = -1;
}

bool PseudoTerminal::write(std::span<const std::byte> bytes) {
  std::size_t written = 0;
  while (written < bytes.size()) {
    const ssize_t n = ::write(master_, bytes.data() + written, bytes.size() - written);
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) return false;
    written += static_cast<std::size_t>(n);
  }
  return true;
}

std::span<const std::byte> PseudoTerminal::read(std::span<std::byte> buffer) {
  const ssize_t n = ::read(master_, buffer.data(), buffer.size());
  return buffer.first(n > 0 ? static_cast<std::size_t>(n) : 0);
}

void PseudoTerminal::release_exclusive_use() {
  if (slave_ >= 0) (void)::ioctl(slave_, TIOCNXCL);
}

}  // namespace nightwatt::sim
