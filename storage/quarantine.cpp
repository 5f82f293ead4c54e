// Damaged stores: how one is told from a file that never was a store, and how it is put out of the way.
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdio>
#include <cstring>
#include <filesystem>
#include <string>
#include <system_error>

#include "schema.hpp"
#include "storage/quarantine.hpp"
#include "store_files.hpp"

namespace nightwatt::storage {
namespace {

namespace fs = std::filesystem;

constexpr std::string_view mark = ".damaged-";
// The tables' definitions are the first thing written into a store.
constexpr std::size_t looked_at = 256 * 1024;
constexpr std::string_view one_of_our_tables = "CREATE TABLE block_data";
constexpr std::string_view magic("SQLite format 3", 16);
constexpr std::size_t application_id_at = 68;  // "Database File Format", section 1.3
constexpr std::size_t header_bytes = 100;
// Stores that are set aside in the same second: a file that is damaged again and again is a disk to be changed.
constexpr int names_tried = 100;

std::string beginning_of(const std::string& path) {
  std::string bytes(looked_at, '\0');
  std::FILE* file = std::fopen(path.c_str(), "rb");
  if (file == nullptr) return {};
  bytes.resize(std::fread(bytes.data(), 1, bytes.size(), file));
  std::fclose(file);
  return bytes;
}

bool has_our_id(std::string_view bytes) {
  if (bytes.size() < header_bytes) return false;
  std::uint32_t id = 0;
  for (std::size_t i = 0; i < 4; ++i) id = id << 8U | static_cast<unsigned char>(bytes[application_id_at + i]);
  return id == static_cast<std::uint32_t>(application_id);
}

}  // namespace

bool was_a_store(const std::string& path) {
  const std::string bytes = beginning_of(path);
  if (bytes.empty()) return false;
  const bool cut_in_header = bytes.size() < header_bytes && bytes.compare(0, magic.size(), magic, 0, bytes.size()) == 0;
  return cut_in_header || has_our_id(bytes) || bytes.find(one_of_our_tables) != std::string::npos;
}

Result<std::string> quarantine_store(const std::string& path, std::string_view when) {
  const std::string store = real_path(path);
  std::string name = store + std::string(mark) + std::string(when);
  for (int i = 2; i < names_tried && file_id(name); ++i)
    name = store + std::string(mark) + std::string(when) + "-" + std::to_string(i);
  if (std::rename(store.c_str(), name.c_str()) != 0)
    return fail(ErrorKind::unusable,
                store + ": damaged, and it cannot be set aside: " + std::strerror(errno) + "; check the folder");
  // What the log holds belongs to it. Its index is made anew by whoever opens it.
  std::rename((store + log_suffix).c_str(), (name + log_suffix).c_str());
  ::unlink((store + index_suffix).c_str());
  return name;
}

std::vector<std::string> quarantined_stores(const std::string& path) {
  std::vector<std::string> found;
  const fs::path store(real_path(path));
  const std::string begin = store.filename().string() + std::string(mark);
  const auto ends_with = [](const std::string& name, std::string_view end) {
    return name.size() >= end.size() && name.compare(name.size() - end.size(), end.size(), end) == 0;
  };
  std::error_code failed;
  for (fs::directory_iterator entry(store.parent_path().empty() ? fs::path(".") : store.parent_path(), failed), end;
       !failed && entry != end; entry.increment(failed)) {
    const std::string name = entry->path().filename().string();
    if (name.compare(0, begin.size(), begin) == 0 && !ends_with(name, log_suffix) && !ends_with(name, index_suffix) &&
        !ends_with(name, lock_suffix))
      found.push_back(entry->path().string());
  }
  std::sort(found.begin(), found.end());
  return found;
}

}  // namespace nightwatt::storage
