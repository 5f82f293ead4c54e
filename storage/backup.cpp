#include "storage/backup.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <filesystem>

#include "schema.hpp"
#include "store_files.hpp"

namespace nightwatt::storage {
namespace {

constexpr mode_t mode = 0640;  // as a store's own

/// The copy under another name until it is proved; gone with the object unless it was kept.
class PartialCopy {
 public:
  explicit PartialCopy(std::string path) : path_(std::move(path)) { remove(); }
  ~PartialCopy() { remove(); }
  PartialCopy(const PartialCopy&) = delete;
  PartialCopy& operator=(const PartialCopy&) = delete;
  [[nodiscard]] const std::string& path() const { return path_; }

  [[nodiscard]] Result<void> keep_as(const std::string& name) {
    const auto failed = [&](const char* what) {
      return fail(ErrorKind::unusable, name + ": " + what + ": " + std::strerror(errno));
    };
    const int file = ::open(path_.c_str(), O_RDONLY | O_CLOEXEC);
    if (file < 0) return failed("the copy cannot be opened");
    const bool on_disk = ::fchmod(file, mode) == 0 && ::fsync(file) == 0;
    ::close(file);
    if (!on_disk) return failed("the copy cannot be brought to the disk");
    // Never over a file that came there meanwhile.
    if (::link(path_.c_str(), name.c_str()) != 0) return failed("cannot be put there");
    return {};
  }

 private:
  void remove() const {
    for (const char* suffix : {"", log_suffix, index_suffix}) ::unlink((path_ + suffix).c_str());
  }
  std::string path_;
};

/// In one step: readers do not hold up who writes.
Result<void> copy_pages(Database& from, const std::string& to) {
  return from.guarded([&]() -> Result<void> {
    Database copy(to, SQLite::OPEN_READWRITE | SQLite::OPEN_CREATE);
    sqlite3_backup* backup = sqlite3_backup_init(copy.handle(), "main", from.handle(), "main");
    const int stepped = backup == nullptr ? sqlite3_errcode(copy.handle()) : sqlite3_backup_step(backup, -1);
    const int finished = backup == nullptr ? SQLITE_OK : sqlite3_backup_finish(backup);
    const int code = stepped == SQLITE_DONE ? finished : stepped;
    if (code == SQLITE_OK) return {};
    return fail(ErrorKind::unusable, explain_sqlite(code == SQLITE_CORRUPT ? from.path() : to, code,
                                                    sqlite3_system_errno(copy.handle()), sqlite3_errstr(code)));
  });
}

}  // namespace

Result<StoreCheck> back_up(const std::string& store, const std::string& copy, const RunProof& prove) {
  if (std::filesystem::exists(copy)) return fail(ErrorKind::input, copy + ": is there already; give another name");
  auto source = open_for_reading(store);
  if (!source) return tl::unexpected<Error>(source.error());
  PartialCopy partial(copy + ".partial");
  if (auto copied = copy_pages(**source, partial.path()); !copied) return tl::unexpected<Error>(copied.error());
  Result<StoreCheck> check = StoreCheck{};
  {
    const auto reader = StoreReader::open(partial.path());
    if (!reader) return tl::unexpected<Error>(reader.error());
    check = reader->check(prove);
  }
  if (!check) return check;
  if (check->problems.size() > check->known)
    return fail(ErrorKind::negative, store + ": the store is not sound, and no copy of it was kept: " +
                                         check->problems.front() + " (nightwatt check says all)");
  if (auto kept = partial.keep_as(copy); !kept) return tl::unexpected<Error>(kept.error());
  return check;
}

}  // namespace nightwatt::storage
