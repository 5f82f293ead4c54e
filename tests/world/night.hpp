// A night of the simulated world: what befalls the service in it, and whether its store tells the truth afterwards.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "measure/signal/time.hpp"

namespace nightwatt::world {

enum class FaultKind : std::uint8_t {
  kill,          ///< -9, between two of its calls
  kill_at_call,  ///< -9, at some call on the disk
  power_cut,     ///< the machine goes down, at some call on the disk
  stop,          ///< SIGTERM, and a start
  disk_full,     ///< for a while
  disk_error,    ///< some calls fail, for a while
  disk_slow,     ///< for a while
  locked,        ///< another program holds the store
  no_memory,     ///< some allocations of SQLite fail
  line,          ///< on a meter's line
  unplug,
  swap,  ///< another meter of the same make on the line
  counter_reset,
  drift,  ///< of the meter's own clock
  clock_step,
  clock_slew,
  suspend,
  reload,
  begin,
  end,
  split,
  query,          ///< the store is read, as anybody may at any time
  query_at_call,  ///< within a transaction
  second_service,
  swap_in_the_middle,  ///< of an answer
  counter_wrap,
  daylight_saving,  ///< the machine's calendar is an hour off for a moment, as where local time is kept in it
  leap_second,
  mark,
  name,
  pin,
  forget,
  import,                ///< by another program, of a file of its own
  no_memory_of_its_own,  ///< `operator new` fails in the service
  join,                  ///< of a run with the open one
  join_by_hand,          ///< of two that have ended, by another program
  split_by_hand,
  rot,  ///< a kill, and a sector of the store is something else when the service starts again; the last kind
};
inline constexpr std::size_t fault_kinds = 38;
[[nodiscard]] std::string fault_name(FaultKind kind);

struct Fault {
  std::int64_t at_us = 0;  ///< of the night
  FaultKind kind = FaultKind::kill;
  std::uint64_t detail = 0;  ///< what its own draws come from
};

/// What the one call on the disk (or allocation by SQLite, or by the service itself) comes to that a night is about.
enum class CallFault : std::uint8_t { none, kill, power_cut, error, full, no_memory, no_memory_of_its_own };

struct Night {
  std::uint64_t seed = 0;
  Duration length{0};
  std::vector<Fault> faults;
  Duration interval{1'000'000};  ///< of the faster of the two meters; the other one's is twice that
  CallFault call_fault = CallFault::none;
  std::uint64_t call = 0;  ///< its number, from 1; on the disk among Outcome::chances
  double flush_s = 1.0;    ///< from 30 on a power cut must not take back what was committed
};

/// Seven seconds in which a run is begun and ended and the store is closed and opened again.
[[nodiscard]] Night brief_moment();
/// Twenty seconds in which a run is begun, split and ended, the config read again, the store stopped and started.
[[nodiscard]] Night busy_moment();
[[nodiscard]] Night with_call_fault(Night night, CallFault fault, std::uint64_t call);

/// Everything from the seed: the same seed, length and count are the same night. Half of all nights have a sector that
/// rots; in long ones the meters are slower, as they are where one records for months, and a fourth of them write
/// seldom but at once to the platter.
[[nodiscard]] Night make_night(std::uint64_t seed, Duration length, std::size_t faults);

struct Outcome {
  std::string problem;  ///< empty: the store told the truth to the end
  std::uint64_t faults = 0;
  std::uint64_t readings = 0;
  std::uint64_t starts = 0;
  std::uint64_t disk_calls = 0;
  std::uint64_t chances =
      0;  ///< of these, such as a CallFault may hit: opening, writing, cutting, syncing, locking, removing
};
/// `log`: where the service's own lines go, with the world's time.
[[nodiscard]] Outcome live(const Night& night, std::vector<std::string>* log = nullptr);

/// The smallest night found in which something still goes wrong: fewer faults, a shorter night. `tries` bounds the
/// work.
[[nodiscard]] Night made_smaller(const Night& night, std::size_t tries);
[[nodiscard]] std::string night_text(const Night& night);

}  // namespace nightwatt::world
