#include "text/splitter.hpp"

#include <algorithm>
#include <cstring>

namespace nightwatt::drivers::text {

namespace {

/// Where the first CR or LF is, or the end. Both searches stay within one line's length, so that a stream with only one
/// of them is not searched over and over.
std::size_t find_end(std::string_view text) {
  const auto* lf = static_cast<const char*>(std::memchr(text.data(), '\n', text.size()));
  const std::size_t before = lf == nullptr ? text.size() : static_cast<std::size_t>(lf - text.data());
  const auto* cr = static_cast<const char*>(std::memchr(text.data(), '\r', before));
  return cr == nullptr ? before : static_cast<std::size_t>(cr - text.data());
}

}  // namespace

void LineSplitter::forget_line() {
  length_ = 0;
  dropping_ = false;
  line_at_ = fed_;
}

bool LineSplitter::step(std::span<const std::byte>& bytes, Line& line) {
  const std::size_t window = std::min(bytes.size(), line_limit + 1);
  const std::string_view text(reinterpret_cast<const char*>(bytes.data()), window);
  const std::size_t end = find_end(text);
  const bool ends = end < window;
  const std::size_t used = end + (ends ? 1 : 0);
  bytes = bytes.subspan(used);
  fed_ += used;
  if (!dropping_ && length_ + end > line_limit) {
    line = Line{{}, line_at_, true};
    length_ = 0;
    dropping_ = !ends;
    if (ends) line_at_ = fed_;
    return true;
  }
  if (ends) return end_line(text.substr(0, end), line);
  if (!dropping_) {
    std::copy_n(text.data(), end, buffer_.data() + length_);
    length_ += end;
  }
  return false;
}

bool LineSplitter::end_line(std::string_view rest, Line& line) {
  line.at_byte = line_at_;
  line_at_ = fed_;
  if (dropping_) {
    dropping_ = false;
    return false;
  }
  line.text = rest;
  if (length_ > 0) {  // the line began in an earlier call
    std::copy_n(rest.data(), rest.size(), buffer_.data() + length_);
    line.text = std::string_view(buffer_.data(), length_ + rest.size());
    length_ = 0;
  }
  return true;
}

}  // namespace nightwatt::drivers::text
