// A file of rows that can be read from any place, whatever it came from: a pipe and UTF-16 go through a file of their
// own.
#pragma once

#include <cstdint>
#include <span>
#include <string>

#include "measure/signal/result.hpp"

namespace nightwatt::query {

/// Owns the descriptor. Errors name the file; of kind input, or unusable where there is no room for a pipe's bytes.
class TableFile {
 public:
  /// `-` is standard input.
  [[nodiscard]] static Result<TableFile> open(const std::string& path);
  TableFile(TableFile&& other) noexcept;
  TableFile& operator=(TableFile&&) = delete;
  ~TableFile();

  [[nodiscard]] const std::string& name() const { return name_; }  ///< as errors call it
  [[nodiscard]] std::uint64_t size() const { return size_; }
  /// The bytes from `offset` on, and how many; 0 at the end.
  [[nodiscard]] Result<std::size_t> read_at(std::uint64_t offset, std::span<char> buffer) const;

 private:
  TableFile(std::string name, int descriptor) : name_(std::move(name)), descriptor_(descriptor) {}
  [[nodiscard]] Result<void> keep_aside();
  [[nodiscard]] Result<std::size_t> read_next(std::span<char> buffer) const;

  std::string name_;
  int descriptor_;
  std::uint64_t size_ = 0;
};

}  // namespace nightwatt::query
