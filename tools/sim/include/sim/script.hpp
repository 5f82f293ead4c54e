// What a simulated meter shall see and suffer: a small text language, parsed. docs/simulator.md describes it.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/result.hpp"

namespace nightwatt::sim {

/// Added to what the meter shows while a device draws power; never to its energy counter.
struct Noise {
  double white_w = 0.0;            ///< standard deviation, independent from one millisecond to the next
  double correlated_w = 0.0;       ///< standard deviation of a slow wander
  double correlated_over_s = 0.0;  ///< the wander is forgotten after twice this
};

enum class StageKind : std::uint8_t { level, ramp, settle, cycle, irregular };

/// One stretch of the device's power. Times are simulated seconds from the script's begin, powers in W.
struct Stage {
  StageKind kind = StageKind::level;
  double begin_s = 0.0;
  double length_s = 0.0;
  double from_w = 0.0;  ///< ramp: where it starts; settle: where the curve starts; cycle and irregular: the lower level
  double to_w = 0.0;    ///< level: the level; ramp: its end; settle: its limit; cycle and irregular: the upper level
  double tau_s = 0.0;   ///< settle
  double period_s = 0.0;  ///< cycle: of one turn; irregular: of one piece
  double share = 0.5;     ///< cycle: part of a period at the upper level
  Noise noise{};
};

enum class FaultType : std::uint8_t { silence, noise, garbage, cut, checksum, exception, twice, unplug };

/// Something that goes wrong at an instant.
struct ScriptFault {
  double at_s = 0.0;
  FaultType type = FaultType::silence;
  double length_s = 0.0;   ///< silence, garbage, unplug
  std::int64_t count = 0;  ///< noise: bytes; cut, checksum, exception, twice: frames
  int code = 0;            ///< exception
};

enum class DisplayRule : std::uint8_t { round, truncate };

struct Script {
  std::optional<double> display_w;  ///< step of the power display; none: what the profile says
  DisplayRule display_rule = DisplayRule::round;
  double voltage_v = 230.0;
  double voltage_noise_v = 0.0;
  double power_factor = 1.0;
  double frequency_hz = 50.0;
  double energy_wh = 0.0;           ///< the counter at the script's begin
  std::string banner;               ///< text meters say this line when plugged in; empty: nothing
  std::vector<Stage> stages;        ///< at least one, each beginning where the one before ends
  std::vector<ScriptFault> faults;  ///< by time
  [[nodiscard]] double length_s() const;
};

/// Most stages, and most faults after `every` was unrolled: a script is written by hand, more is a slip of the
/// keyboard.
inline constexpr std::size_t script_item_limit = 20'000;

/// Reads a script; `name` stands before the line number in the error, which has ErrorKind::input.
[[nodiscard]] Result<Script> parse_script(std::string_view text, std::string_view name);
/// The same from a file of at most 1 MB.
[[nodiscard]] Result<Script> load_script(const std::string& file);

}  // namespace nightwatt::sim
