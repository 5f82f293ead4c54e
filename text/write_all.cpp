#include "text/write_all.hpp"

#include <unistd.h>

#include <cerrno>

namespace nightwatt::text {

int write_all(int descriptor, std::string_view text) {
  while (!text.empty()) {
    const ssize_t written = ::write(descriptor, text.data(), text.size());
    if (written > 0) text.remove_prefix(static_cast<std::size_t>(written));
    if (written < 0 && errno != EINTR) return errno;
  }
  return 0;
}

}  // namespace nightwatt::text
