// A smart meter with a P1 port: a telegram every interval, with a gas meter behind it.
#pragma once

#include "pushing_meter.hpp"

namespace nightwatt::sim {

/// Version 5, with a check; on a line of seven bits version 3, without one.
class P1Meter final : public PushingMeter {
 public:
  P1Meter(const MeterProfile& profile, Script script, std::uint64_t seed);

 private:
  [[nodiscard]] std::string frame(double at_s, std::uint64_t number, Fate fate, SentValues& values) const override;
  [[nodiscard]] std::vector<std::byte> on_line(std::string_view text) const override;
  [[nodiscard]] bool old_version() const { return profile().line.data_bits == 7; }
};

}  // namespace nightwatt::sim
