// A file read from front to back.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <string>

#include "measure/signal/result.hpp"

namespace nightwatt::query {

/// Owns the descriptor. Errors are of kind input and name the file.
class File {
 public:
  [[nodiscard]] static Result<File> open(const std::string& path);
  File(File&& other) noexcept;
  File& operator=(File&&) = delete;
  ~File();

  /// In bytes; 0 where it cannot be known (a pipe).
  [[nodiscard]] std::int64_t size() const { return size_; }
  /// The next bytes, and how many; 0 at the end.
  [[nodiscard]] Result<std::size_t> read(std::span<char> buffer) const;

 private:
  File(std::string shown_name, int descriptor) : name_(std::move(shown_name)), descriptor_(descriptor) {}

  std::string name_;
  int descriptor_;
  std::int64_t size_ = 0;
};

}  // namespace nightwatt::query
