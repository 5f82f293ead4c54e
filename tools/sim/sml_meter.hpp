// A meter that sends an SML file every interval: open, list, close.
#pragma once

#include <string>

#include "pushing_meter.hpp"

namespace nightwatt::sim {

/// In transport version 1.
class SmlMeter final : public PushingMeter {
 public:
  SmlMeter(const MeterProfile& profile, Script script, std::uint64_t seed);

 private:
  [[nodiscard]] std::string frame(double at_s, std::uint64_t number, Fate fate, SentValues& values) const override;
  [[nodiscard]] std::string list(double at_s, SentValues& values) const;
};

}  // namespace nightwatt::sim
