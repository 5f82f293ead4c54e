// An SQLite VFS over the usual one whose Nth write, sync or truncate fails, and all after it: the process that dies
// there.
#pragma once

#include <sqlite3.h>

#include <cstddef>
#include <cstring>
#include <memory>

namespace nightwatt::storage::test {

/// While it lives, every connection of this process that is opened goes through it. One at a time.
class FaultyFiles {
 public:
  FaultyFiles() {
    inner_ = sqlite3_vfs_find("unix");
    vfs_ = *inner_;
    vfs_.zName = "nightwatt-faulty";
    vfs_.szOsFile = static_cast<int>(sizeof(File)) + inner_->szOsFile;
    vfs_.xOpen = open;
    vfs_.pAppData = inner_;
    sqlite3_vfs_register(&vfs_, 1);
    calls() = 0;
    fails_from() = -1;
  }
  ~FaultyFiles() {
    sqlite3_vfs_unregister(&vfs_);
    sqlite3_vfs_register(inner_, 1);
  }
  FaultyFiles(const FaultyFiles&) = delete;
  FaultyFiles& operator=(const FaultyFiles&) = delete;

  /// From the Nth call on, counted from now, nothing more reaches the disk.
  void fail_from(int call) {
    calls() = 0;
    fails_from() = call;
  }
  void stop_failing() { fails_from() = -1; }
  [[nodiscard]] int counted() const { return calls(); }
  /// Writes since the last sync, of any file: what a power cut may take.
  [[nodiscard]] int not_yet_on_disk() const { return unsynced(); }

 private:
  struct File {  // the real one follows it; SQLite aligns what it hands out to 8 bytes
    sqlite3_file base;
    sqlite3_io_methods methods;
    const sqlite3_io_methods* inner;
  };
  static int& calls() {
    static int count = 0;
    return count;
  }
  static int& fails_from() {
    static int call = -1;
    return call;
  }
  static int& unsynced() {
    static int count = 0;
    return count;
  }
  static bool fails() {
    const int call = calls()++;
    return fails_from() >= 0 && call >= fails_from();
  }
  static File* ours(sqlite3_file* file) { return static_cast<File*>(static_cast<void*>(file)); }
  static sqlite3_file* real(sqlite3_file* file) {
    return static_cast<sqlite3_file*>(static_cast<void*>(ours(file) + 1));
  }
  static int open(sqlite3_vfs* vfs, const char* name, sqlite3_file* file, int flags, int* out) {
    auto* inner = static_cast<sqlite3_vfs*>(vfs->pAppData);
    auto* mine = ours(file);
    mine->base.pMethods = nullptr;
    const int opened = inner->xOpen(inner, name, real(file), flags, out);
    if (opened != SQLITE_OK) return opened;
    mine->inner = real(file)->pMethods;
    mine->methods = {};
    sqlite3_io_methods& m = mine->methods;
    m.iVersion = 2;
    m.xClose = [](sqlite3_file* f) { return real(f)->pMethods->xClose(real(f)); };
    m.xRead = [](sqlite3_file* f, void* to, int size, sqlite3_int64 at) {
      return real(f)->pMethods->xRead(real(f), to, size, at);
    };
    m.xWrite = [](sqlite3_file* f, const void* from, int size, sqlite3_int64 at) {
      ++unsynced();
      return fails() ? SQLITE_IOERR_WRITE : real(f)->pMethods->xWrite(real(f), from, size, at);
    };
    m.xTruncate = [](sqlite3_file* f, sqlite3_int64 size) {
      return fails() ? SQLITE_IOERR_TRUNCATE : real(f)->pMethods->xTruncate(real(f), size);
    };
    m.xSync = [](sqlite3_file* f, int how) {
      unsynced() = 0;
      return fails() ? SQLITE_IOERR_FSYNC : real(f)->pMethods->xSync(real(f), how);
    };
    m.xFileSize = [](sqlite3_file* f, sqlite3_int64* size) { return real(f)->pMethods->xFileSize(real(f), size); };
    m.xLock = [](sqlite3_file* f, int level) { return real(f)->pMethods->xLock(real(f), level); };
    m.xUnlock = [](sqlite3_file* f, int level) { return real(f)->pMethods->xUnlock(real(f), level); };
    m.xCheckReservedLock = [](sqlite3_file* f, int* held) {
      return real(f)->pMethods->xCheckReservedLock(real(f), held);
    };
    m.xFileControl = [](sqlite3_file* f, int what, void* with) {
      return real(f)->pMethods->xFileControl(real(f), what, with);
    };
    m.xSectorSize = [](sqlite3_file* f) { return real(f)->pMethods->xSectorSize(real(f)); };
    m.xDeviceCharacteristics = [](sqlite3_file* f) { return real(f)->pMethods->xDeviceCharacteristics(real(f)); };
    m.xShmMap = [](sqlite3_file* f, int page, int size, int extend, void volatile** to) {
      return real(f)->pMethods->xShmMap(real(f), page, size, extend, to);
    };
    m.xShmLock = [](sqlite3_file* f, int at, int count, int how) {
      return real(f)->pMethods->xShmLock(real(f), at, count, how);
    };
    m.xShmBarrier = [](sqlite3_file* f) { real(f)->pMethods->xShmBarrier(real(f)); };
    m.xShmUnmap = [](sqlite3_file* f, int remove) { return real(f)->pMethods->xShmUnmap(real(f), remove); };
    mine->base.pMethods = &mine->methods;
    return SQLITE_OK;
  }

  sqlite3_vfs* inner_ = nullptr;
  sqlite3_vfs vfs_{};
};

}  // namespace nightwatt::storage::test
