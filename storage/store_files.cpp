#include "store_files.hpp"

#include <sys/stat.h>
#include <unistd.h>

#include <filesystem>
#include <system_error>
#include <utility>

namespace nightwatt::storage {

std::string real_path(const std::string& path) {
  std::error_code failed;
  const std::filesystem::path real = std::filesystem::weakly_canonical(path, failed);
  return failed ? path : real.string();
}

std::optional<FileId> file_id(const std::string& path) {
  struct stat file {};
  if (::stat(path.c_str(), &file) != 0) return std::nullopt;
  return FileId{file.st_dev, file.st_ino};
}

StoreFiles::StoreFiles(const std::string& path)
    : path_(path),
      real_(real_path(path)),
      file_(file_id(path)),
      log_(file_id(real_ + log_suffix)),
      index_(file_id(real_ + index_suffix)) {}

bool StoreFiles::log_is_ours() const {
  const std::optional<FileId> there = file_id(real_ + log_suffix);
  return !there || there == log_;
}

void StoreFiles::remove_log() const {
  for (const auto& [suffix, id] : {std::pair(log_suffix, log_), std::pair(index_suffix, index_)})
    if (const std::string name = real_ + suffix; id && file_id(name) == id) ::unlink(name.c_str());
}

}  // namespace nightwatt::storage
