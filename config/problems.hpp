// Collects what is wrong with the files of a config, each with its line, so that --check can show all of it at once.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/result.hpp"

namespace nightwatt::config {

/// More than a person reads at once; bounds the list for a hostile file.
inline constexpr std::size_t problem_limit = 100;

/// The problems of one file, or of several that are read as one text: the lines of the next go on where those of the
/// one before ended, so that a line alone says which file it is of. A value used by one thread.
class Problems {
 public:
  /// `folder` is what the first file's relative paths are relative to.
  explicit Problems(std::string file, std::string folder = {}) : files_{{1, std::move(file), std::move(folder)}} {}

  /// Lines from `first_line` on are of this file. Ascending.
  void begin_file(int first_line, std::string file, std::string folder) {
    files_.push_back({first_line, std::move(file), std::move(folder)});
  }
  /// `file:line` of the file that the line is of.
  [[nodiscard]] std::string place(int line) const;
  /// "line 12" for a line of the same file as `seen_from`, else "FILE:12".
  [[nodiscard]] std::string place_seen_from(int line, int seen_from) const;
  [[nodiscard]] const std::string& folder_of(int line) const { return source(line).folder; }
  /// A relative path as seen from the folder of the file that names it.
  [[nodiscard]] std::string beside(int line, const std::string& path) const;
  /// The value on this line is nobody else's business.
  void note_secret(int line) { secrets_.push_back(line); }
  [[nodiscard]] const std::vector<int>& secrets() const { return secrets_; }

  /// `what` is wrong on `line`; `remedy` says what to do. Both without a full stop.
  void add(int line, std::string_view what, std::string_view remedy);
  /// A problem that already carries its own file and line, placed where this file refers to it.
  void add(int line, Error error);

  [[nodiscard]] bool empty() const { return entries_.empty(); }
  [[nodiscard]] const std::string& file_of(int line) const { return source(line).file; }
  /// By line, without repeats.
  [[nodiscard]] std::vector<Error> errors() const;

 private:
  struct Entry {
    int line;
    Error error;
  };
  struct Source {
    int first_line;
    std::string file;
    std::string folder;
  };
  [[nodiscard]] const Source& source(int line) const;

  std::vector<Source> files_;
  std::vector<Entry> entries_;
  std::vector<int> secrets_;
};

}  // namespace nightwatt::config
