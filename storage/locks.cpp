#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstring>
#include <string>

#include "impl.hpp"

namespace nightwatt::storage {
namespace {

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

Result<ServiceLock> ServiceLock::take(const std::string& store_path, StoreTrouble* trouble) {
  const Result<int> opened = open_lock_file(store_path, trouble);
  if (!opened) return pass_on(opened.error());
  ServiceLock lock(real_path(store_path) + lock_suffix, *opened);
  switch (lock_byte(*opened, 0)) {
    case LockState::taken:
      break;
    case LockState::held_by_other:
      return fail(ErrorKind::unusable, store_path + ": a service already works on this store (" + holder(*opened) +
                                           "); stop it first, or give this one another store");
    case LockState::failed:
      return fail(ErrorKind::unusable, store_path + "-lock: cannot be locked: " + std::strerror(errno));
  }
  const std::string pid = std::to_string(::getpid()) + "\n";
  // Only for the message above: a failure to write it does no harm.
  if (::ftruncate(*opened, 0) == 0 && ::pwrite(*opened, pid.data(), pid.size(), 0) < 0) errno = 0;
  return lock;
}

bool ServiceLock::moved() const {
  struct stat ours {};
  return ::fstat(descriptor_, &ours) != 0 || file_id(path_) != FileId{ours.st_dev, ours.st_ino};
}

ServiceLock& ServiceLock::operator=(ServiceLock&& other) noexcept {
  if (this != &other) {
    if (descriptor_ >= 0) ::close(descriptor_);
    path_ = std::move(other.path_);
    descriptor_ = std::exchange(other.descriptor_, -1);
  }
  return *this;
}

ServiceLock::~ServiceLock() {
  if (descriptor_ >= 0) ::close(descriptor_);
}

}  // namespace nightwatt::storage
