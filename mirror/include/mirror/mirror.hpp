// All of a rig's record in a PostgreSQL database as well, kept up by a thread that reads the store and that nobody
// waits for.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "measure/signal/time.hpp"

namespace nightwatt::mirror {

struct MirrorSettings {
  std::string database;  ///< a connection string of libpq
  std::string rig;       ///< this store's name in the mirror
  std::string store;     ///< path
  friend bool operator==(const MirrorSettings&, const MirrorSettings&) = default;
};

struct MirrorStatus {
  bool connected = false;
  bool up_to_date = false;            ///< at the end of the last pass nothing was left
  std::int64_t copied = 0;            ///< readings, since the service began
  std::optional<Duration> last_good;  ///< since the end of the last pass that brought everything; none: never
  std::string trouble;                ///< one line; empty: none
};

/// Owns the thread. start() and stop() are the caller's one thread's; status() is anybody's.
class Mirror {
 public:
  enum class Tone : std::uint8_t { info, warning };
  using Say = std::function<void(Tone, const std::string&)>;  ///< called from the mirror's thread

  Mirror(MirrorSettings settings, Say say);
  ~Mirror();
  Mirror(const Mirror&) = delete;
  Mirror& operator=(const Mirror&) = delete;

  void start();
  /// Breaks off whatever is under way; what was committed stays. At most a second.
  void stop();
  /// As stop(), but waits for nothing: the thread ends by itself.
  void let_go();
  [[nodiscard]] MirrorStatus status() const;
  [[nodiscard]] const MirrorSettings& settings() const;

 private:
  class Impl;
  std::shared_ptr<Impl> impl_;
};

}  // namespace nightwatt::mirror
