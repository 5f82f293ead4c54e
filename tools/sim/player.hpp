// Plays a simulated meter on a pseudo-terminal in (sped-up) real time.
#pragma once

#include <cstdint>
#include <fstream>
#include <optional>
#include <string>
#include <vector>

#include "pseudo_terminal.hpp"
#include "sim/meter.hpp"

namespace nightwatt::sim {

struct PlayerSettings {
  std::string link;
  double speed = 1.0;              ///< simulated seconds a second
  std::optional<std::string> log;  ///< every frame, a line each
  bool once = false;               ///< ends with the script instead of holding its last level
};

/// Owns the port and the meter. Runs until a signal to end, or the script's end with `once`. Simulated time begins when
/// run() is called.
class Player {
 public:
  Player(std::unique_ptr<Meter> meter, const Script& script, PlayerSettings settings);
  [[nodiscard]] Result<void> run();

 private:
  [[nodiscard]] double now_s() const;
  [[nodiscard]] Result<void> keep_plugged(double at_s);
  void deliver(std::vector<Chunk>& chunks);
  void log(const Sent& sent, bool arrived);
  [[nodiscard]] int wait_ms(double at_s) const;

  std::unique_ptr<Meter> meter_;
  PlayerSettings settings_;
  double length_s_;
  std::vector<std::pair<double, double>> unplugged_;
  PseudoTerminal port_;
  std::ofstream log_;
  std::uint64_t frames_ = 0;
  std::int64_t begin_us_ = 0;
};

}  // namespace nightwatt::sim
