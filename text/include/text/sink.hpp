// Where a command's text goes: a file descriptor, or a string in a test.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>

namespace nightwatt::text {

/// Buffers a descriptor, which it does not own; or appends to a string. A failed write is remembered, not reported, so
/// that a command writes on and its end asks failed().
class Sink {
 public:
  explicit Sink(int descriptor) : descriptor_(descriptor) {}
  explicit Sink(std::string& text) : text_(&text) {}
  ~Sink() { flush(); }
  Sink(const Sink&) = delete;
  Sink& operator=(const Sink&) = delete;

  void write(std::string_view text);
  void flush();
  [[nodiscard]] bool failed() const { return failed_; }

 private:
  int descriptor_ = -1;
  std::string* text_ = nullptr;
  std::string buffer_;
  bool failed_ = false;
};

}  // namespace nightwatt::text
