// A meter with a pulse output. A pseudo-terminal has no modem lines, so its edges are told as the port layer tells
// them.
#pragma once

#include "sim/meter.hpp"

namespace nightwatt::sim {

/// A pulse each time the counter has passed another constant's worth; it lasts 50 ms.
class PulseOutput final : public Meter {
 public:
  PulseOutput(const MeterProfile& profile, Script script, std::uint64_t seed);
  void receive(std::span<const std::byte>, double at_s, std::vector<Chunk>& out) override { advance(at_s, out); }
  void advance(double at_s, std::vector<Chunk>& out) override;
  [[nodiscard]] std::optional<double> next_s() const override { return looked_s_ + look_every_s; }
  void plugged(double at_s, std::vector<Chunk>& out) override;

 private:
  static constexpr double look_every_s = 0.005;
  void say(bool on, double at_s, std::vector<Chunk>& out);
  [[nodiscard]] double pulses_at(double at_s) const;

  double pulses_per_wh_;
  Model model_;
  double first_pulses_;
  double looked_s_ = 0.0;
  double sent_ = 0.0;
  double on_since_s_ = -1.0;  ///< below 0: off
};

}  // namespace nightwatt::sim
