// A disk that fails, forgets and lies: an SQLite VFS over files in a folder that knows what was synced.
#pragma once

#include <cstdint>
#include <functional>
#include <map>
#include <optional>
#include <random>
#include <string>
#include <string_view>
#include <vector>

struct sqlite3_vfs;

namespace nightwatt::world {

using Random = std::mt19937_64;

/// What SQLite asked of the disk.
enum class DiskCall : std::uint8_t { open, read, write, truncate, sync, lock, shm, size, remove };

/// How it goes wrong: SQLite's code and errno.
struct DiskTrouble {
  int code = 0;
  int system_error = 0;
  bool after = false;  ///< it was done all the same
};

/// While it lives it is SQLite's default VFS in this process. Files lie in a real folder, so that what does not go
/// through SQLite finds them; one thread.
class SimDisk {
 public:
  explicit SimDisk(std::uint64_t seed);
  ~SimDisk();
  SimDisk(const SimDisk&) = delete;
  SimDisk& operator=(const SimDisk&) = delete;

  [[nodiscard]] const std::string& folder() const { return folder_; }
  [[nodiscard]] std::string path(std::string_view name) const { return folder_ + "/" + std::string(name); }

  /// Asked before every call on a file of `name` (without the folder); what it gives is what the call comes to.
  std::function<std::optional<DiskTrouble>(DiskCall, std::string_view name)> on_call;
  [[nodiscard]] std::uint64_t calls() const { return calls_; }
  /// Simulated time that calls and sleeps have taken since the last time this was asked, in microseconds.
  [[nodiscard]] std::int64_t take_spent_us();
  void spend(std::int64_t us) { spent_us_ += us; }
  [[nodiscard]] std::int64_t spent_us() const { return spent_us_; }

  /// The process that has files open dies: nothing it does to them from now on has any effect.
  void kill() { ++generation_; }
  /// The machine loses power: also what was not synced is gone, in part, in whole, or torn in the middle.
  void lose_power(Random& random);
  /// What is on the platter rots: a sector of a file is something else now. Nobody has it open.
  void rot(std::string_view name, Random& random);

  // What the VFS does, for its functions in C.
  struct Change {
    std::int64_t at = 0;  ///< offset, or the length of a truncation
    std::string bytes;    ///< empty: a truncation
  };
  struct File {
    std::string synced;         ///< as the platter has it
    std::vector<Change> later;  ///< in order, not synced
    std::uint64_t inode = 0;    ///< another file may come to the same name
  };
  [[nodiscard]] sqlite3_vfs* real() const { return real_; }
  [[nodiscard]] std::uint64_t generation() const { return generation_; }
  [[nodiscard]] std::optional<DiskTrouble> ask(DiskCall call, const std::string& path);
  [[nodiscard]] File* know(const char* path);
  void forget(const std::string& path) { files_.erase(path); }
  [[nodiscard]] int last_error() const { return last_error_; }
  [[nodiscard]] std::int64_t utc_ms() const { return utc_ms_; }
  void set_utc_ms(std::int64_t now) { utc_ms_ = now; }
  void fill_random(char* into, std::size_t count);
  static void apply(std::string& content, const Change& change);

 private:
  std::string folder_;
  sqlite3_vfs* real_ = nullptr;
  sqlite3_vfs* own_ = nullptr;
  Random random_;
  std::map<std::string, File> files_;
  std::uint64_t generation_ = 0;
  std::uint64_t calls_ = 0;
  std::int64_t spent_us_ = 0;
  std::int64_t utc_ms_ = 0;
  int last_error_ = 0;
};

}  // namespace nightwatt::world
