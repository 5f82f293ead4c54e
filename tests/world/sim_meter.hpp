// Meters of the simulated world, and what they said: the truth that a store is held against.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "config/config.hpp"
#include "sim_world.hpp"

namespace nightwatt::world {

/// A power that a meter gave whole, when its last byte came out of the cable.
struct Said {
  std::int64_t true_us = 0;       ///< the world's time
  std::int64_t mono_us = 0;       ///< the machine's monotonic clock
  std::int64_t utc_us = 0;        ///< and its calendar
  std::int64_t unstepped_us = 0;  ///< SimClock::unstepped()
  std::int64_t milliwatts = 0;
  std::int64_t milliwatt_hours = -1;  ///< the counter beside it; none: -1
  std::uint64_t boot = 0;             ///< of the service that had the port open
  std::int64_t late_us = 0;           ///< it may have been read so much later: the machine slept in between
  bool must = true;                   ///< nothing on the line excuses its loss
};

/// What may befall a line, once, at the next occasion.
enum class LineFault : std::uint8_t { none, cut, garbled, noise, doubled, late, previous, silent };
inline constexpr std::size_t line_faults = 8;

/// A meter on a plug: draws a device's power from its seed, speaks its protocol, keeps what it said.
class SimMeter {
 public:
  SimMeter(std::string name, bool modbus, Duration interval, std::uint64_t seed, Scheduler& scheduler, SimClock& clock);

  [[nodiscard]] const std::string& name() const { return name_; }
  [[nodiscard]] Duration interval() const { return interval_; }
  [[nodiscard]] config::MeterConfig config() const;
  [[nodiscard]] Plug& plug() { return plug_; }
  [[nodiscard]] const std::vector<Said>& said() const { return said_; }

  /// The service that will hear it from now on, by number.
  void heard_by(std::uint64_t boot) { boot_ = boot; }
  void fault(LineFault fault, int times);
  /// Another meter of the same make on the same cable: other power, other counter.
  void swap();
  /// So too, but between two pieces of what is said next: it ends as the other one would have.
  void swap_in_the_middle() { swap_next_ = true; }
  void reset_counter();
  /// The counter is about to reach the last number that it can show.
  void near_wrap();
  void drift(std::int64_t ppm) { drift_ppm_ = ppm; }
  void pull() {
    plug_.pull();
    excuse();
  }
  void put() {
    plug_.put();
    excuse();
  }
  /// What is said about now may be lost.
  void excuse();
  /// The machine slept for so long just now.
  void slept(Duration time);

 private:
  [[nodiscard]] std::int64_t power_mw() const;
  void measure();
  void speak();
  void hear(std::span<const std::byte> bytes);
  void answer(std::string frame, bool power);
  [[nodiscard]] std::string registers(int first, int count) const;
  void send(std::string bytes, Duration delay, std::optional<Said> said);
  [[nodiscard]] LineFault next_fault();
  [[nodiscard]] std::uint64_t draw(std::uint64_t about) const;

  const std::string name_;
  const bool modbus_;
  const Duration interval_;
  std::uint64_t seed_;
  Scheduler& scheduler_;
  SimClock& clock_;
  Plug plug_;
  std::uint64_t boot_ = 0;
  std::int64_t drift_ppm_ = 0;
  std::int64_t mw_ = 0;
  double mwh_ = 0.0;
  std::int64_t measured_us_ = 0;
  bool swap_next_ = false;
  LineFault fault_ = LineFault::none;
  int fault_times_ = 0;
  std::int64_t excused_until_us_ = 0;
  std::int64_t line_free_us_ = 0;  ///< of the answer before, in the scheduler's time
  std::string asked_;              ///< bytes of a request so far
  std::string last_frame_, last_other_frame_;
  bool last_was_power_ = false;
  Said last_said_;
  std::vector<Said> said_;
};

}  // namespace nightwatt::world
