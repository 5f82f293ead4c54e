// A home-made meter that says a line of text every interval: csv, key and value, or JSON.
#pragma once

#include "drivers/text/settings.hpp"
#include "faults.hpp"
#include "sim/meter.hpp"

namespace nightwatt::sim {

/// `$body*HH`: NMEA 0183's exclusive or of what stands between $ and *; `spoilt` makes it a wrong one.
[[nodiscard]] std::string with_checksum(const std::string& body, bool spoilt);

/// Says line k of the script at k intervals, whoever listens; the values in it are of exactly that instant.
class LineMeter final : public Meter {
 public:
  LineMeter(const MeterProfile& profile, Script script, std::uint64_t seed);
  void receive(std::span<const std::byte>, double at_s, std::vector<Chunk>& out) override { advance(at_s, out); }
  void advance(double at_s, std::vector<Chunk>& out) override;
  [[nodiscard]] std::optional<double> next_s() const override;
  void plugged(double at_s, std::vector<Chunk>& out) override;

 private:
  [[nodiscard]] double line_time_s() const { return static_cast<double>(next_line_) * interval_s_; }
  [[nodiscard]] Chunk line(double at_s);
  [[nodiscard]] std::string body(double at_s, std::vector<std::pair<Quantity, std::string>>& values) const;

  MeterProfile profile_;
  TextLineSettings text_;
  double interval_s_;
  Model model_;
  Faults faults_;
  std::uint64_t next_line_ = 0;
};

}  // namespace nightwatt::sim
