// The one bounded queue between the loop, which never waits, and the store thread, which waits for the disk.
#pragma once

#include <condition_variable>
#include <cstddef>
#include <cstdint>
#include <functional>
#include <memory>
#include <mutex>
#include <optional>
#include <variant>
#include <vector>

#include "daemon/kept_clock.hpp"
#include "daemon/requests.hpp"
#include "measure/signal/reading.hpp"
#include "measure/signal/time.hpp"
#include "storage/store.hpp"

namespace nightwatt::daemon {

/// A meter of the running service. Given out once, never reused, so that a reload cannot mix two meters up.
using MeterId = std::uint32_t;

struct RecorderSettings {
  std::string meter;
  MeterTraits traits;
  bool auto_runs = true;
  double auto_end_s = 300.0;
  double shortest_segment_s = 20.0;
  bool auto_name = false;
};

struct QueuedReading {
  MeterId meter = 0;
  Reading reading;
};
/// The machine's calendar was found elsewhere: from `from` on, `utc_offset` is to be added to record times to show
/// them.
struct QueuedUtcOffset {
  UtcTime from;
  Duration utc_offset{0};
  std::optional<KeptClock> clock = {};  ///< for the service that comes after this one
};
/// The meters as they are from now on; a meter that is not named is no longer recorded.
struct QueuedMeters {
  std::vector<std::pair<MeterId, RecorderSettings>> meters;
  storage::StoreSettings store;
};
/// A meter that reports on change has said nothing more until now.
struct QueuedLook {
  MeterId meter = 0;
  UtcTime now;
};
using QueueItem = std::variant<QueuedReading, QueuedUtcOffset, QueuedLook, storage::Event, std::shared_ptr<RunCommand>,
                               std::shared_ptr<QueuedMeters>>;

/// Many may push, one takes. Nothing here waits for a disk.
class ReadingQueue {
 public:
  /// Readings kept while the disk is full or the store is locked: three minutes of eight meters at 10 readings/s, four
  /// hours of one meter at 1/s, about 3 MB.
  static constexpr std::size_t reading_limit = 16384;
  /// Events, clock shifts and requests; each is rare and rate-limited where it is made.
  static constexpr std::size_t other_limit = 1024;
  /// A look is dropped where so many others wait: the next one will do as well, and a pause must not be filled with
  /// them.
  static constexpr std::size_t look_limit = 64;

  explicit ReadingQueue(const Clock& clock, std::size_t readings = reading_limit)
      : clock_(clock), reading_limit_(readings) {}
  /// Called whenever a thread that waits here would be woken; any thread, with the queue locked: it must only take
  /// note.
  void on_wake(std::function<void()> call) { on_wake_ = std::move(call); }

  /// False: full, the item was not taken.
  [[nodiscard]] bool push(QueuedReading reading);
  [[nodiscard]] bool push(QueueItem item);
  /// Pushes even when full: for the end of the service and its meters. The caller does so rarely.
  void push_always(QueueItem item);

  enum class Wake : std::uint8_t {
    batch,   ///< something is to be stored
    poke,    ///< somebody asks whether the store thread is alive
    rested,  ///< the pause is over, or a request does not wait for its end
    stop,
  };
  /// Sleeps until a batch is due (`flush` after its first item, at once after a request or a shift of the calendar), a
  /// poke or the stop.
  [[nodiscard]] Wake wait(Duration flush);
  /// Sleeps for `pause`, unless poked, stopped or asked something: while the store cannot be written.
  [[nodiscard]] Wake rest(Duration pause);
  /// The same without sleeping: what wait() or rest() would wake for now, else when they would look again (nullopt:
  /// not before somebody wakes them).
  struct Look {
    std::optional<Wake> wake;
    std::optional<MonoTime> due;
  };
  [[nodiscard]] Look look_wait(Duration flush);
  [[nodiscard]] Look look_rest(MonoTime end);
  /// All that is queued, in order.
  [[nodiscard]] std::vector<QueueItem> take();
  /// The requests alone: the rest stays queued.
  [[nodiscard]] std::vector<QueueItem> take_commands();

  void poke();
  void stop();
  [[nodiscard]] std::size_t readings() const;
  [[nodiscard]] bool empty() const;

 private:
  void push_locked(QueueItem item);
  void wake_locked();
  [[nodiscard]] Look wait_locked(Duration flush);
  [[nodiscard]] Look rest_locked(MonoTime end);

  const Clock& clock_;
  const std::size_t reading_limit_;
  mutable std::mutex mutex_;
  std::condition_variable wake_;
  std::vector<QueueItem> items_;
  std::size_t readings_ = 0;
  MonoTime first_pushed_;
  std::function<void()> on_wake_;
  bool urgent_ = false;
  bool asked_ = false;  ///< a request came since the last look
  bool poked_ = false;
  bool stopped_ = false;
};

}  // namespace nightwatt::daemon
