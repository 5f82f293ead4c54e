#include "sim_disk.hpp"

#include <fcntl.h>
#include <sqlite3.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <stdexcept>
#include <utility>

#include "sim_memory.hpp"

namespace nightwatt::world {
namespace {

constexpr std::size_t sector = 512;

/// SQLite's handle of an open file: ours, and behind it the real VFS's own.
struct Handle {
  sqlite3_file base;
  SimDisk* disk;
  std::uint64_t generation;
  const std::string* path;  ///< owned; null: a temporary file
  [[nodiscard]] sqlite3_file* real() { return reinterpret_cast<sqlite3_file*>(this + 1); }
  [[nodiscard]] bool dead() const { return generation != disk->generation(); }
};

Handle* handle(sqlite3_file* file) {
  return reinterpret_cast<Handle*>(file);
}

/// The code of a call that is not to be made; SQLITE_OK: make it.
int refused(Handle* file, DiskCall call, int dead_code) {
  const Turn ours(Turn::Whose::world);
  if (file->path == nullptr) return SQLITE_OK;
  if (file->dead()) return dead_code;
  const auto trouble = file->disk->ask(call, *file->path);
  if (file->dead()) return dead_code;  // that very call is where the process died
  return trouble ? trouble->code : SQLITE_OK;
}

int close_file(sqlite3_file* file) {
  const Turn ours(Turn::Whose::world);
  Handle* own = handle(file);
  const int code = own->real()->pMethods != nullptr ? own->real()->pMethods->xClose(own->real()) : SQLITE_OK;
  delete own->path;
  own->path = nullptr;
  return code;
}

int read_file(sqlite3_file* file, void* into, int count, sqlite3_int64 at) {
  Handle* own = handle(file);
  if (const int code = refused(own, DiskCall::read, SQLITE_IOERR_READ); code != SQLITE_OK) return code;
  return own->real()->pMethods->xRead(own->real(), into, count, at);
}

int write_file(sqlite3_file* file, const void* bytes, int count, sqlite3_int64 at) {
  const Turn ours(Turn::Whose::world);
  Handle* own = handle(file);
  if (const int code = refused(own, DiskCall::write, SQLITE_IOERR_WRITE); code != SQLITE_OK) return code;
  if (own->path != nullptr)
    own->disk->know(own->path->c_str())
        ->later.push_back({at, std::string(static_cast<const char*>(bytes), static_cast<std::size_t>(count))});
  return own->real()->pMethods->xWrite(own->real(), bytes, count, at);
}

int truncate_file(sqlite3_file* file, sqlite3_int64 size) {
  const Turn ours(Turn::Whose::world);
  Handle* own = handle(file);
  if (const int code = refused(own, DiskCall::truncate, SQLITE_IOERR_TRUNCATE); code != SQLITE_OK) return code;
  if (own->path != nullptr) own->disk->know(own->path->c_str())->later.push_back({size, {}});
  return own->real()->pMethods->xTruncate(own->real(), size);
}

// The real file lies in memory: what is synced is only kept count of.
int sync_file(sqlite3_file* file, int) {
  const Turn ours(Turn::Whose::world);
  Handle* own = handle(file);
  if (const int code = refused(own, DiskCall::sync, SQLITE_IOERR_FSYNC); code != SQLITE_OK) return code;
  if (own->path == nullptr) return SQLITE_OK;
  SimDisk::File* known = own->disk->know(own->path->c_str());
  for (const SimDisk::Change& change : known->later) SimDisk::apply(known->synced, change);
  known->later.clear();
  return SQLITE_OK;
}

int file_size(sqlite3_file* file, sqlite3_int64* size) {
  Handle* own = handle(file);
  if (const int code = refused(own, DiskCall::size, SQLITE_IOERR_FSTAT); code != SQLITE_OK) return code;
  return own->real()->pMethods->xFileSize(own->real(), size);
}

int lock_file(sqlite3_file* file, int level) {
  Handle* own = handle(file);
  if (const int code = refused(own, DiskCall::lock, SQLITE_IOERR_LOCK); code != SQLITE_OK) return code;
  return own->real()->pMethods->xLock(own->real(), level);
}
int unlock_file(sqlite3_file* file, int level) {
  return handle(file)->real()->pMethods->xUnlock(handle(file)->real(), level);
}
int check_lock(sqlite3_file* file, int* reserved) {
  return handle(file)->real()->pMethods->xCheckReservedLock(handle(file)->real(), reserved);
}
int file_control(sqlite3_file* file, int what, void* argument) {
  return handle(file)->real()->pMethods->xFileControl(handle(file)->real(), what, argument);
}
int sector_size(sqlite3_file* file) {
  return handle(file)->real()->pMethods->xSectorSize(handle(file)->real());
}
int characteristics(sqlite3_file* file) {
  return handle(file)->real()->pMethods->xDeviceCharacteristics(handle(file)->real());
}

int map_index(sqlite3_file* file, int page, int size, int extend, void volatile** memory) {
  Handle* own = handle(file);
  if (const int code = refused(own, DiskCall::shm, SQLITE_IOERR_SHMMAP); code != SQLITE_OK) return code;
  return own->real()->pMethods->xShmMap(own->real(), page, size, extend, memory);
}
int lock_index(sqlite3_file* file, int offset, int count, int flags) {
  Handle* own = handle(file);
  const bool locks = (flags & SQLITE_SHM_LOCK) != 0;
  if (locks)
    if (const int code = refused(own, DiskCall::lock, SQLITE_IOERR_SHMLOCK); code != SQLITE_OK) return code;
  return own->real()->pMethods->xShmLock(own->real(), offset, count, flags);
}
void index_barrier(sqlite3_file* file) {
  handle(file)->real()->pMethods->xShmBarrier(handle(file)->real());
}
int unmap_index(sqlite3_file* file, int remove) {
  Handle* own = handle(file);
  return own->real()->pMethods->xShmUnmap(own->real(), own->dead() ? 0 : remove);
}

// Version 2: without xFetch, so that every read comes by here.
constexpr sqlite3_io_methods methods = {
    2,          close_file,    read_file,   write_file,   truncate_file, sync_file,       file_size,
    lock_file,  unlock_file,   check_lock,  file_control, sector_size,   characteristics, map_index,
    lock_index, index_barrier, unmap_index, nullptr,      nullptr};

SimDisk* disk_of(sqlite3_vfs* vfs) {
  return static_cast<SimDisk*>(vfs->pAppData);
}

int open_file(sqlite3_vfs* vfs, const char* name, sqlite3_file* file, int flags, int* out_flags) {
  const Turn ours(Turn::Whose::world);
  SimDisk* disk = disk_of(vfs);
  Handle* own = handle(file);
  std::memset(own, 0, sizeof *own + static_cast<std::size_t>(disk->real()->szOsFile));
  own->disk = disk;
  own->generation = disk->generation();
  if (name != nullptr) {
    if (const auto trouble = disk->ask(DiskCall::open, name)) return trouble->code;
    if (own->dead()) return SQLITE_CANTOPEN;
  }
  const int code = disk->real()->xOpen(disk->real(), name, own->real(), flags, out_flags);
  if (code != SQLITE_OK) return code;
  if (name != nullptr) {
    own->path = new std::string(name);
    (void)disk->know(name);
  }
  own->base.pMethods = &methods;
  return SQLITE_OK;
}

int remove_file(sqlite3_vfs* vfs, const char* name, int sync) {
  const Turn ours(Turn::Whose::world);
  SimDisk* disk = disk_of(vfs);
  if (const auto trouble = disk->ask(DiskCall::remove, name)) return trouble->code;
  disk->forget(name);
  return disk->real()->xDelete(disk->real(), name, sync);
}
int access_file(sqlite3_vfs* vfs, const char* name, int flags, int* result) {
  return disk_of(vfs)->real()->xAccess(disk_of(vfs)->real(), name, flags, result);
}
int full_name(sqlite3_vfs* vfs, const char* name, int size, char* out) {
  return disk_of(vfs)->real()->xFullPathname(disk_of(vfs)->real(), name, size, out);
}
int randomness(sqlite3_vfs* vfs, int size, char* out) {
  disk_of(vfs)->fill_random(out, static_cast<std::size_t>(size));
  return size;
}
int sleep_us(sqlite3_vfs* vfs, int us) {
  disk_of(vfs)->spend(us);
  return us;
}
int current_time_ms(sqlite3_vfs* vfs, sqlite3_int64* now) {
  constexpr std::int64_t julian_of_1970_ms = 210'866'760'000'000;
  *now = julian_of_1970_ms + disk_of(vfs)->utc_ms();
  return SQLITE_OK;
}
int current_time(sqlite3_vfs* vfs, double* now) {
  sqlite3_int64 ms = 0;
  (void)current_time_ms(vfs, &ms);
  *now = static_cast<double>(ms) / 86'400'000.0;
  return SQLITE_OK;
}
int error_number(sqlite3_vfs* vfs, int, char*) {
  return disk_of(vfs)->last_error();
}

std::string content_of(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

/// A folder in memory where there is one.
std::string new_folder() {
  const std::string memory = "/dev/shm";
  std::string name = (::access(memory.c_str(), W_OK) == 0 ? memory : std::filesystem::temp_directory_path().string()) +
                     "/nightwatt-world-XXXXXX";
  if (::mkdtemp(name.data()) == nullptr) throw std::runtime_error("no folder for the simulated disk");
  return name;
}

}  // namespace

SimDisk::SimDisk(std::uint64_t seed) : folder_(new_folder()), random_(seed) {
  real_ = sqlite3_vfs_find("unix");
  own_ = new sqlite3_vfs(*real_);
  own_->iVersion = 2;
  own_->zName = "nightwatt-world";
  own_->szOsFile = static_cast<int>(sizeof(Handle)) + real_->szOsFile;
  own_->pAppData = this;
  own_->pNext = nullptr;
  own_->xOpen = open_file;
  own_->xDelete = remove_file;
  own_->xAccess = access_file;
  own_->xFullPathname = full_name;
  own_->xRandomness = randomness;
  own_->xSleep = sleep_us;
  own_->xCurrentTime = current_time;
  own_->xCurrentTimeInt64 = current_time_ms;
  own_->xGetLastError = error_number;
  sqlite3_vfs_register(own_, 1);
  sqlite3_randomness(0, nullptr);  // its own generator is seeded anew, from ours
}

SimDisk::~SimDisk() {
  sqlite3_vfs_unregister(own_);
  sqlite3_vfs_register(real_, 1);
  delete own_;
  std::error_code ignored;
  std::filesystem::remove_all(folder_, ignored);
}

std::int64_t SimDisk::take_spent_us() {
  return std::exchange(spent_us_, 0);
}

void SimDisk::fill_random(char* into, std::size_t count) {
  for (std::size_t i = 0; i < count; ++i) into[i] = static_cast<char>(random_());
}

std::optional<DiskTrouble> SimDisk::ask(DiskCall call, const std::string& path) {
  ++calls_;
  if (!on_call) return std::nullopt;
  const auto trouble = on_call(call, std::string_view(path).substr(path.rfind('/') + 1));
  if (trouble) last_error_ = trouble->system_error;
  return trouble;
}

// What lies there when it is first seen is taken to be on the platter.
SimDisk::File* SimDisk::know(const char* path) {
  const auto known = files_.find(path);
  struct stat there {};
  const bool exists = ::stat(path, &there) == 0;
  if (known != files_.end() && exists && known->second.inode == there.st_ino) return &known->second;
  File& file = files_[path];
  file = {exists ? content_of(path) : std::string(), {}, exists ? there.st_ino : 0};
  return &file;
}

void SimDisk::apply(std::string& content, const Change& change) {
  const auto at = static_cast<std::size_t>(change.at);
  if (change.bytes.empty()) return content.resize(at);
  if (content.size() < at + change.bytes.size()) content.resize(at + change.bytes.size());
  content.replace(at, change.bytes.size(), change.bytes);
}

void SimDisk::rot(std::string_view name, Random& random) {
  const std::string where = path(name);
  std::string content = content_of(where);
  if (content.size() < sector) return;
  const std::size_t at = sector * (random() % (content.size() / sector));
  for (std::size_t i = 0; i < sector; ++i) content[at + i] = static_cast<char>(random());
  // The same file: who has its name in a list need not learn another one.
  std::ofstream(where, std::ios::binary | std::ios::in)
      .write(content.data(), static_cast<std::streamsize>(content.size()));
  if (const auto known = files_.find(where); known != files_.end()) known->second = {content, {}, known->second.inode};
}

// A write that has begun is torn at a sector; a disk that sorts its writes may have done later ones before earlier
// ones.
void SimDisk::lose_power(Random& random) {
  kill();
  for (auto& [path, file] : files_) {
    const std::uint64_t kind = random() % 4;
    const std::size_t upto = kind == 0 ? 0 : kind == 1 ? file.later.size() : random() % (file.later.size() + 1);
    for (std::size_t i = 0; i < file.later.size(); ++i) {
      Change change = file.later[i];
      const bool sorted_away = kind == 3 && random() % 2 == 0;
      if (i > upto || sorted_away) continue;
      if (i == upto) {
        if (change.bytes.empty() || change.bytes.size() <= sector) continue;
        change.bytes.resize(sector * (1 + random() % (change.bytes.size() / sector)));
      }
      apply(file.synced, change);
    }
    file.later.clear();
    if (::access(path.c_str(), F_OK) == 0) std::ofstream(path, std::ios::binary | std::ios::trunc) << file.synced;
  }
}

}  // namespace nightwatt::world
