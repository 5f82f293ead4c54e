#include "store_files.hpp"

#include <sys/stat.h>
#include <unistd.h>

#include <utility>

namespace nightwatt::storage {
namespace {

constexpr const char* log_suffix = "-wal";
constexpr const char* index_suffix = "-shm";

}  // namespace

std::optional<FileId> file_id(const std::string& path) {
  struct stat file {};
  if (::stat(path.c_str(), &file) != 0) return std::nullopt;
  return FileId{file.st_dev, file.st_ino};
}

StoreFiles::StoreFiles(const std::string& path)
    : path_(path), file_(file_id(path)), log_(file_id(path + log_suffix)), index_(file_id(path + index_suffix)) {}

bool StoreFiles::log_is_ours() const {
  const std::optional<FileId> there = file_id(path_ + log_suffix);
  return !there || there == log_;
}

void StoreFiles::remove_log() const {
  for (const auto& [suffix, id] : {std::pair(log_suffix, log_), std::pair(index_suffix, index_)})
    if (const std::string name = path_ + suffix; id && file_id(name) == id) ::unlink(name.c_str());
}

}  // namespace nightwatt::storage
