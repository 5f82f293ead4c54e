#include "text/sink.hpp"

#include <unistd.h>

#include <cerrno>

namespace nightwatt::text {
namespace {
constexpr std::size_t buffer_limit = std::size_t{64} * 1024;  // one pipe full
}

void Sink::write(std::string_view text) {
  if (text_ != nullptr) {
    *text_ += text;
    return;
  }
  buffer_ += text;
  if (buffer_.size() >= buffer_limit) flush();
}

void Sink::flush() {
  std::string_view rest = buffer_;
  while (!rest.empty() && !failed_) {
    const ssize_t written = ::write(descriptor_, rest.data(), rest.size());
    if (written > 0) rest.remove_prefix(static_cast<std::size_t>(written));
    if (written < 0 && errno != EINTR) failed_ = true;
  }
  buffer_.clear();
}

}  // namespace nightwatt::text
