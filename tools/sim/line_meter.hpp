// A home-made meter that says a line of text every interval: csv, key and value, or JSON.
#pragma once

#include "drivers/text/settings.hpp"
#include "pushing_meter.hpp"

namespace nightwatt::sim {

/// `$body*HH`: NMEA 0183's exclusive or of what stands between $ and *; `spoilt` makes it a wrong one.
[[nodiscard]] std::string with_checksum(const std::string& body, bool spoilt);

/// A line every interval, after a banner when plugged in.
class LineMeter final : public PushingMeter {
 public:
  LineMeter(const MeterProfile& profile, Script script, std::uint64_t seed);
  void plugged(double at_s, std::vector<Chunk>& out) override;

 private:
  [[nodiscard]] std::string frame(double at_s, std::uint64_t number, Fate fate, SentValues& values) const override;
  [[nodiscard]] std::string body(double at_s, std::uint64_t number, SentValues& values) const;

  TextLineSettings text_;
};

}  // namespace nightwatt::sim
