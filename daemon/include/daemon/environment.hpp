// All of the outside that the service may touch: clocks, timers, ports, threads, sockets. One seam, so that a
// simulation can put the whole service through a bad night in one thread.
#pragma once

#include <cstddef>
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "config/config.hpp"
#include "daemon/control_request.hpp"
#include "daemon/log.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::daemon {

struct PageParts;
struct NotificationMessage;

/// Calls back once on the loop. Set anew, cancelled or destroyed, it does not make the call it was set for before.
class Timer {
 public:
  virtual ~Timer() = default;
  virtual void start(Duration after, std::function<void()> call) = 0;
  virtual void cancel() = 0;
};

/// An open port, on the loop; closed with the object. Calls that are waited for are not made after that.
class Port {
 public:
  virtual ~Port() = default;
  /// What to call it in the log.
  [[nodiscard]] virtual const std::string& where() const = 0;
  /// Calls once: there is something to read, or the end; `trouble` is empty, or one line on why there never will be.
  virtual void wait_readable(std::function<void(const std::string& trouble)> call) = 0;
  virtual void wait_writable(std::function<void(const std::string& trouble)> call) = 0;
  /// Never waits. Count of bytes; 0: the other end hung up; negative: -errno.
  virtual std::ptrdiff_t read(std::span<std::byte> into) = 0;
  virtual std::ptrdiff_t write(std::span<const std::byte> bytes) = 0;
  /// Whether all that was written has left for the wire.
  [[nodiscard]] virtual bool all_sent() { return true; }
  /// Sets the line up anew. Empty, or one line on why that cannot be.
  [[nodiscard]] virtual std::string set_line(const LineSettings&) { return {}; }
  /// Over the network: on its way, and there when it can be written to.
  [[nodiscard]] virtual bool connecting() const { return false; }
  /// Why what was on its way did not come about; empty where it did.
  [[nodiscard]] virtual std::string connect_trouble() { return {}; }
};

struct PortTrouble {
  /// Not failed yet: to be asked for again soon.
  static constexpr const char* opening = "opening";
  std::string state;  ///< one word for `status`: "missing", "busy", "denied", "failed", or `opening`
  std::string why;    ///< one line
};
using PortResult = tl::expected<std::unique_ptr<Port>, PortTrouble>;

/// Work that is done beside the loop and may wait for the disk, cut into rounds so that a simulation decides when each
/// is done. All but the calls on a Worker happens on the worker's own thread.
class Work {
 public:
  virtual ~Work() = default;
  /// For a thread: sleeps until round() has something to do.
  virtual void wait() = 0;
  /// For a simulation: when round() will have something to do unless it is woken before; nullopt: not before that.
  [[nodiscard]] virtual std::optional<MonoTime> due() = 0;
  /// Does what there is to do. False: that was the last.
  virtual bool round() = 0;
};

class Worker {
 public:
  virtual ~Worker() = default;
  /// There may be something to do; the work's own wait() is woken by other means. Any thread, must not wait.
  virtual void wake() = 0;
  /// Returns after the last round. Whoever calls has seen to it that there will be one.
  virtual void join() = 0;
};

/// The service's end of the control socket.
class ControlDoor {
 public:
  using Reply = std::function<void(std::string)>;
  using Handler = std::function<void(ControlRequest, Reply)>;
  virtual ~ControlDoor() = default;
  [[nodiscard]] virtual Result<void> listen(const std::string& path) = 0;
  virtual void stop() = 0;
};

/// Since the service started, over all receivers.
struct NotificationCounts {
  std::uint64_t told = 0;
  std::uint64_t failed = 0;    ///< tries that failed
  std::uint64_t given_up = 0;  ///< messages nobody was told of: tried in vain, or no room in the queue
  std::uint64_t waiting = 0;
};

/// Tells the receivers of the config what happened. tell() from any thread; the rest from the loop's.
class Notifying {
 public:
  virtual ~Notifying() = default;
  /// Receivers that stay the same keep what they are still to be told; of the others it is dropped.
  virtual void configure(const std::vector<config::NotificationConfig>& receivers) = 0;
  /// Tells every receiver that wants this kind of event.
  virtual void tell(NotificationMessage message) = 0;
  /// Tells one, by its place in the config as last configured.
  virtual void tell(std::size_t receiver, NotificationMessage message) = 0;
  [[nodiscard]] virtual NotificationCounts counts() const = 0;
  /// Kills what runs and drops what waits. Takes some milliseconds.
  virtual void stop() = 0;
};

/// Shows the running service to browsers and collectors. Calls come from the loop and return at once, stop() excepted.
class Showing {
 public:
  virtual ~Showing() = default;
  /// Serves as configured from now on; with an address that is off, not at all. Clients of the old settings are let go.
  virtual void configure(const config::PageConfig& config) = 0;
  /// Lets go of every client; returns when the threads are done, which a report that is being made may delay.
  virtual void stop() = 0;
};

/// Outlives the service. Calls from the loop thread, unless said otherwise. The store's files are SQLite's business:
/// they go through its default VFS, which a simulation replaces.
class Environment {
 public:
  virtual ~Environment() = default;
  /// Any thread.
  [[nodiscard]] virtual const Clock& clock() const = 0;
  [[nodiscard]] virtual std::unique_ptr<Timer> timer() = 0;
  [[nodiscard]] virtual PortResult open_port(const config::MeterConfig& meter) = 0;
  [[nodiscard]] virtual std::unique_ptr<Worker> start_worker(Work& work) = 0;
  [[nodiscard]] virtual std::unique_ptr<ControlDoor> control_door(ControlDoor::Handler handler) = 0;
  [[nodiscard]] virtual std::unique_ptr<Notifying> notifying(LogSink log) = 0;
  [[nodiscard]] virtual std::unique_ptr<Showing> showing(PageParts parts) = 0;
  /// Calls on the loop for each of these signals, as long as it lives.
  virtual void watch_signals(const std::vector<int>& signals, std::function<void(int)> call) = 0;
  /// Makes the call on the loop, soon. Any thread.
  virtual void post(std::function<void()> call) = 0;
  /// Runs the loop until `done` says so after one of its calls.
  virtual void run(const std::function<bool()>& done) = 0;
  /// Makes the calls that are ready, without waiting.
  virtual void run_ready() = 0;
};

}  // namespace nightwatt::daemon
