// A smart meter with a P1 port: a telegram every interval, with a gas meter behind it.
#pragma once

#include "faults.hpp"
#include "sim/meter.hpp"

namespace nightwatt::sim {

/// Version 5, with a check; on a line of seven bits version 3, without one. Says telegram k of the script at k
/// intervals, whoever listens.
class P1Meter final : public Meter {
 public:
  P1Meter(const MeterProfile& profile, Script script, std::uint64_t seed);
  void receive(std::span<const std::byte>, double at_s, std::vector<Chunk>& out) override { advance(at_s, out); }
  void advance(double at_s, std::vector<Chunk>& out) override;
  [[nodiscard]] std::optional<double> next_s() const override;
  void plugged(double at_s, std::vector<Chunk>& out) override;

 private:
  [[nodiscard]] double telegram_time_s() const { return static_cast<double>(next_) * interval_s_; }
  [[nodiscard]] Chunk telegram(double at_s);

  MeterProfile profile_;
  double interval_s_;
  Model model_;
  Faults faults_;
  std::uint64_t next_ = 0;
};

}  // namespace nightwatt::sim
