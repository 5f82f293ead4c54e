// What the loop does with one meter's bytes: decode, stamp, queue, count faults. No port and no timer of its own.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "daemon/log.hpp"
#include "daemon/reading_queue.hpp"
#include "daemon/repeat_limiter.hpp"
#include "daemon/time_keeper.hpp"
#include "drivers/decoder.hpp"
#include "measure/signal/gap_rule.hpp"
#include "measure/signal/held_power.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::daemon {

/// A meter's line of `status`.
struct MeterStatus {
  std::string name;
  std::string state;  ///< "recording", "silent", "opening", or why the port cannot be used: "missing", "busy", ...
  std::optional<UtcTime> last;  ///< as shown to people
  std::optional<double> age_s;
  std::uint64_t readings = 0;  ///< since the service started
  std::uint64_t faults = 0;
  std::uint64_t lost = 0;  ///< readings for which there was no room
  std::uint64_t gaps = 0;  ///< holes between readings, by the contract's rule
  double gap_s = 0.0;      ///< how long a hole must be now to count as one
  std::string trouble =
      {};  ///< what the port says instead of what the profile says; empty: it fits, or is not known yet
  std::optional<double> power_w = std::nullopt;  ///< of the last reading, as those below
  std::optional<double> voltage_v = std::nullopt;
  std::optional<double> current_a = std::nullopt;
  std::optional<double> energy_wh = std::nullopt;  ///< the meter's own counter
};

/// A reading's power, for those who watch.
struct LivePoint {
  UtcTime at;  ///< as shown to people
  double power_w = 0.0;
};

/// Loop thread. Instants of the caller never go back.
class MeterSession {
 public:
  /// A meter on an open port that has said nothing for this long is silent: as for a gap.
  static constexpr Duration silent_after{10'000'000};
  static constexpr int silent_intervals = 5;
  /// Points kept for those who watch: ten seconds, their longest pause, at 100 readings/s.
  static constexpr std::size_t live_limit = 1024;

  MeterSession(MeterId id, std::string name, Duration interval, std::unique_ptr<drivers::Decoder> decoder,
               TimeKeeper& time, ReadingQueue& queue, LogSink log, std::optional<UtcTime> last_stored,
               Reporting reporting = {});

  /// The port is open. `where`: what to call it in the log.
  void port_opened(MonoTime now, std::string_view where);
  /// It was lost or cannot be opened. `state` is one word, `why` one line.
  void port_failed(MonoTime now, std::string_view state, std::string_view why);

  /// Bytes that arrived at `now`.
  void feed(std::span<const std::byte> bytes, MonoTime now);
  void tick(MonoTime now);
  [[nodiscard]] std::optional<MonoTime> next_tick() const;
  /// Of a meter that reports on change, now and then: the store is told that nothing more was said.
  void notify_silence(MonoTime now);
  /// Bytes to write, in order; the caller empties it.
  [[nodiscard]] std::vector<std::byte>& to_send() { return output_.send; }
  /// How the line is to be set up once all that was sent has left; the caller empties it.
  [[nodiscard]] std::optional<LineSettings>& line_wanted() { return output_.line; }

  [[nodiscard]] MeterId id() const { return id_; }
  [[nodiscard]] const std::string& name() const { return name_; }
  [[nodiscard]] MeterStatus status(MonoTime now) const;
  [[nodiscard]] std::optional<UtcTime> last_stamp() const { return last_stamp_; }
  /// The last reading's arrival; before the first, since when it is waited for.
  [[nodiscard]] MonoTime heard_at() const { return last_heard_.value_or(start_); }

  /// Whether somebody calls take_live(); until then nothing is kept for it.
  void watch(bool wanted);
  /// The powers since the last call, the newest `live_limit` of them. Of a meter that reports on change, what it showed
  /// meanwhile, up to `now`.
  [[nodiscard]] std::vector<LivePoint> take_live(MonoTime now);

 private:
  static constexpr std::size_t fault_kinds = 6;
  struct Lost {
    std::uint64_t count = 0;
    UtcTime first;
  };

  [[nodiscard]] Duration since_start(MonoTime now) const { return now - start_; }
  void take_output(MonoTime now);
  void keep(const drivers::Measurement& measurement, UtcTime at);
  void show(const drivers::Measurement& measurement, UtcTime time);
  void add_live(UtcTime time, double power_w);
  [[nodiscard]] std::optional<double> last_value(Quantity quantity) const;
  void notify_lost();
  void count_fault(const drivers::Fault& fault, MonoTime now);
  [[nodiscard]] bool push_event(storage::EventKind kind, UtcTime at, std::string detail, double amount);
  void say(LogLevel level, std::string_view text) const;

  const MeterId id_;
  const std::string name_;
  const Duration interval_;
  const Reporting reporting_;
  std::unique_ptr<drivers::Decoder> decoder_;
  TimeKeeper& time_;
  ReadingQueue& queue_;
  LogSink log_;
  const MonoTime start_;
  drivers::Output output_;
  std::optional<UtcTime> last_stamp_;  ///< of the record; also from before this service
  std::optional<MonoTime> last_heard_;
  MonoTime opened_at_;
  bool port_open_ = false;
  bool port_lost_noted_ = false;  ///< the store has the event that the port was lost
  std::string port_state_ = "opening";
  std::uint64_t readings_ = 0;
  std::uint64_t faults_ = 0;
  std::uint64_t lost_total_ = 0;
  Lost lost_;  ///< not yet told to the store
  GapRule gap_rule_;
  std::uint64_t gaps_ = 0;
  Values values_;  ///< of the last reading
  bool watched_ = false;
  std::optional<HeldPower> shown_;  ///< of a meter that reports on change
  std::vector<LivePoint> live_;
  std::string trouble_;
  std::array<RepeatLimiter, fault_kinds> fault_lines_;
  RepeatLimiter lost_port_lines_;
  RepeatLimiter closed_port_lines_;
  RepeatLimiter lost_lines_;
};

}  // namespace nightwatt::daemon
