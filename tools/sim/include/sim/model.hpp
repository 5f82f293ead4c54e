// The device and the supply a simulated meter measures: what each quantity is at any simulated instant.
#pragma once

#include <cstdint>
#include <vector>

#include "measure/signal/reading.hpp"
#include "sim/script.hpp"

namespace nightwatt::sim {

/// A number in [0, 2^64) that depends on its three arguments alone: the simulator's only source of chance.
[[nodiscard]] std::uint64_t hashed(std::uint64_t seed, std::uint64_t subject, std::uint64_t counter);

/// Pure: what it says of an instant depends on script, seed and instant only, never on how often it was asked.
/// After the script's end the last level is held.
class Model {
 public:
  Model(Script script, std::uint64_t seed);

  /// The device's power, without noise.
  [[nodiscard]] double power_w(double at_s) const;
  /// The counter: the integral of power_w, in closed form.
  [[nodiscard]] double energy_wh(double at_s) const;
  /// What a meter without a display step would show.
  [[nodiscard]] double measured(Quantity quantity, double at_s) const;
  [[nodiscard]] const Script& script() const { return script_; }

 private:
  [[nodiscard]] std::size_t stage_at(double at_s) const;
  [[nodiscard]] double stage_power_w(std::size_t index, double into_s) const;
  [[nodiscard]] double stage_energy_ws(std::size_t index, double into_s) const;
  [[nodiscard]] double piece_w(std::size_t index, std::uint64_t piece) const;
  [[nodiscard]] double noise_w(const Noise& noise, double at_s) const;
  [[nodiscard]] double measured_power_w(double at_s) const;

  Script script_;
  std::uint64_t seed_;
  std::vector<double> energy_before_ws_;              ///< at each stage's begin
  std::vector<std::vector<double>> piece_energy_ws_;  ///< irregular stages: at each piece's begin
};

/// A value as a display with this step shows it.
[[nodiscard]] double on_display(double value, double step, DisplayRule rule);
/// Digits behind the point that a multiple of `step` needs, at most 9.
[[nodiscard]] int decimals_of(double step);
/// Plain decimal text, never "-0".
[[nodiscard]] std::string fixed_text(double value, int decimals);

}  // namespace nightwatt::sim
