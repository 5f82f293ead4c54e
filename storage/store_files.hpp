// Which files an open store is made of, so that it is noticed when others lie at its path, or none.
#pragma once

#include <sys/types.h>

#include <optional>
#include <string>

namespace nightwatt::storage {

inline constexpr const char* log_suffix = "-wal";
inline constexpr const char* index_suffix = "-shm";
inline constexpr const char* lock_suffix = "-lock";

/// Where a path leads, links followed: beside that lie the log, its index and the lock, whatever name one came by.
[[nodiscard]] std::string real_path(const std::string& path);

/// What a name means at this moment, whatever it is called.
struct FileId {
  dev_t device = 0;
  ino_t number = 0;
  friend bool operator==(const FileId&, const FileId&) = default;
};
/// None where nothing lies there, or nothing that may be looked at.
[[nodiscard]] std::optional<FileId> file_id(const std::string& path);

/// The store's file, its log and the log's index as they were when this was made.
class StoreFiles {
 public:
  explicit StoreFiles(const std::string& path);

  /// The file at the path is another one by now, or there is none.
  [[nodiscard]] bool moved() const { return !file_ || file_id(path_) != file_; }
  /// No other log lies in the place of this one.
  [[nodiscard]] bool log_is_ours() const;
  /// Takes the log and its index away from the path where they are still these ones. For a store that is closed and
  /// whose file was moved: a file that is put there must not be read with another one's log.
  void remove_log() const;

 private:
  std::string path_;
  std::string real_;
  std::optional<FileId> file_, log_, index_;
};

}  // namespace nightwatt::storage
