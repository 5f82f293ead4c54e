// A meter that sends an SML file every interval: open, list, close, in transport version 1.
#pragma once

#include <string>

#include "faults.hpp"
#include "sim/meter.hpp"

namespace nightwatt::sim {

/// Sends file k of the script at k intervals, whoever listens; the values in it are of exactly that instant.
class SmlMeter final : public Meter {
 public:
  SmlMeter(const MeterProfile& profile, Script script, std::uint64_t seed);
  void receive(std::span<const std::byte>, double at_s, std::vector<Chunk>& out) override { advance(at_s, out); }
  void advance(double at_s, std::vector<Chunk>& out) override;
  [[nodiscard]] std::optional<double> next_s() const override;
  void plugged(double at_s, std::vector<Chunk>& out) override;

 private:
  [[nodiscard]] double file_time_s() const { return static_cast<double>(next_file_) * interval_s_; }
  [[nodiscard]] Chunk file(double at_s);
  [[nodiscard]] std::string list(double at_s, std::vector<std::pair<Quantity, std::string>>& values) const;

  MeterProfile profile_;
  double interval_s_;
  Model model_;
  Faults faults_;
  std::uint64_t next_file_ = 0;
};

}  // namespace nightwatt::sim
