#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstring>
#include <string>

#include "locks.hpp"
#include "schema.hpp"
#include "store_files.hpp"

namespace nightwatt::storage {
namespace {

// Of the lock file, and of the store's own.
constexpr std::int64_t service_byte = 0;

struct flock byte_range(std::int64_t place, short type) {
  struct flock range {};
  range.l_type = type;
  range.l_whence = SEEK_SET;
  range.l_start = place;
  range.l_len = 1;
  return range;
}

std::string holder(int descriptor) {
  std::array<char, 32> text{};
  const ssize_t size = ::pread(descriptor, text.data(), text.size() - 1, 0);
  std::string pid;
  for (ssize_t i = 0; i < size && text[static_cast<std::size_t>(i)] >= '0' && text[static_cast<std::size_t>(i)] <= '9';
       ++i)
    pid.push_back(text[static_cast<std::size_t>(i)]);
  return pid.empty() ? "another process" : "process " + pid;
}

}  // namespace

Result<int> open_lock_file(const std::string& store_path, StoreTrouble* trouble) {
  const std::string path = real_path(store_path) + lock_suffix;
  constexpr mode_t mode = 0640;
  const int descriptor = ::open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, mode);
  if (descriptor >= 0) return descriptor;
  if (trouble != nullptr) *trouble = errno == ENOSPC || errno == EDQUOT ? StoreTrouble::no_room : StoreTrouble::other;
  return fail(ErrorKind::unusable,
              path + ": cannot make the lock file: " + std::strerror(errno) + "; check the folder");
}

// Locks of the open file description: they end with it or its process, and not when some other descriptor is closed.
LockState lock_byte(int descriptor, std::int64_t place) {
  struct flock range = byte_range(place, F_WRLCK);
  if (::fcntl(descriptor, F_OFD_SETLK, &range) == 0) return LockState::taken;
  return errno == EAGAIN || errno == EACCES ? LockState::held_by_other : LockState::failed;
}

void unlock_byte(int descriptor, std::int64_t place) {
  struct flock range = byte_range(place, F_UNLCK);
  ::fcntl(descriptor, F_OFD_SETLK, &range);
}

namespace {

LockState lock_for_service(int descriptor) {
  return lock_byte(descriptor, service_byte);
}

tl::unexpected<Error> cannot_lock(const std::string& path, LockState state, const std::string& by) {
  if (state == LockState::held_by_other)
    return fail(ErrorKind::unusable, path + ": a service already works on this store (" + by +
                                         "); stop it first, or give this one another store");
  return fail(ErrorKind::unusable, path + ": cannot be locked: " + std::strerror(errno));
}

}  // namespace

// The file itself is locked as well: by another name (a hard link, a file mounted elsewhere) it has another lock file,
// and another log, which neither service would read of the other. SQLite locks bytes from 2^30 on ("PENDING_BYTE"), so
// the first one is free.
Result<ServiceLock> ServiceLock::take(const std::string& store_path, StoreTrouble* trouble) {
  const Result<int> opened = open_lock_file(store_path, trouble);
  if (!opened) return pass_on(opened.error());
  ServiceLock lock(store_path, *opened);
  if (const LockState state = lock_for_service(*opened); state != LockState::taken)
    return cannot_lock(store_path, state, holder(*opened));
  StoreTrouble kind = StoreTrouble::other;
  if (auto made = make_store_file(store_path, kind); !made) {
    if (trouble != nullptr) *trouble = kind;
    return pass_on(made.error());
  }
  lock.file_ = ::open(store_path.c_str(), O_RDWR | O_CLOEXEC);
  if (lock.file_ < 0) return fail(ErrorKind::unusable, store_path + ": cannot be opened: " + std::strerror(errno));
  if (const LockState state = lock_for_service(lock.file_); state != LockState::taken)
    return cannot_lock(store_path, state, "by another name of its file");
  const std::string pid = std::to_string(::getpid()) + "\n";
  // Only for the message above: a failure to write it does no harm.
  if (::ftruncate(*opened, 0) == 0 && ::pwrite(*opened, pid.data(), pid.size(), 0) < 0) errno = 0;
  return lock;
}

bool ServiceLock::moved() const {
  const auto is_at = [](int descriptor, const std::string& path) {
    struct stat ours {};
    return ::fstat(descriptor, &ours) == 0 && file_id(path) == FileId{ours.st_dev, ours.st_ino};
  };
  return !is_at(descriptor_, real_path(path_) + lock_suffix) || !is_at(file_, path_);
}

bool service_has(const std::string& store_path) {
  const int descriptor = ::open((real_path(store_path) + lock_suffix).c_str(), O_RDWR | O_CLOEXEC | O_NOFOLLOW);
  if (descriptor < 0) return false;
  struct flock range = byte_range(service_byte, F_WRLCK);
  const bool held = ::fcntl(descriptor, F_OFD_GETLK, &range) == 0 && range.l_type != F_UNLCK;
  ::close(descriptor);
  return held;
}

void ServiceLock::release() {
  for (int* descriptor : {&file_, &descriptor_})
    if (const int open = std::exchange(*descriptor, -1); open >= 0) ::close(open);
}

ServiceLock& ServiceLock::operator=(ServiceLock&& other) noexcept {
  if (this != &other) {
    release();
    path_ = std::move(other.path_);
    descriptor_ = std::exchange(other.descriptor_, -1);
    file_ = std::exchange(other.file_, -1);
  }
  return *this;
}

ServiceLock::~ServiceLock() {
  release();
}

}  // namespace nightwatt::storage
