// Collects what is wrong with a file, each with its line, so that --check can show all of it at once.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

#include "measure/result.hpp"

namespace nightwatt::config {

/// More than a person reads at once; bounds the list for a hostile file.
inline constexpr std::size_t problem_limit = 100;

/// The problems of one file. A value used by one thread.
class Problems {
 public:
  explicit Problems(std::string file) : file_(std::move(file)) {}

  /// `what` is wrong on `line`; `remedy` says what to do. Both without a full stop.
  void add(int line, std::string_view what, std::string_view remedy);
  /// A problem that already carries its own file and line, placed where this file refers to it.
  void add(int line, Error error);

  [[nodiscard]] bool empty() const { return entries_.empty(); }
  [[nodiscard]] const std::string& file() const { return file_; }
  /// By line, without repeats.
  [[nodiscard]] std::vector<Error> errors() const;

 private:
  struct Entry {
    int line;
    Error error;
  };
  std::string file_;
  std::vector<Entry> entries_;
};

}  // namespace nightwatt::config
