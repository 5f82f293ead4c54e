#include "text/sink.hpp"

#include "text/write_all.hpp"

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
  if (!failed_) failed_ = write_all(descriptor_, buffer_) != 0;
  buffer_.clear();
}

}  // namespace nightwatt::text
