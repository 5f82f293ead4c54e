// A meter with an optical head (IEC 62056-21), in any of the modes a, b, c, d.
#pragma once

#include "drivers/iec62056/settings.hpp"
#include "faults.hpp"
#include "sim/meter.hpp"

namespace nightwatt::sim {

/// Answers a request with its identification and, in mode c once it was acknowledged, a data block with its check; NAK
/// has it repeated. In mode d it speaks by itself every interval. `exception` makes it say an error string.
class HeadMeter final : public Meter {
 public:
  HeadMeter(const MeterProfile& profile, Script script, std::uint64_t seed);
  void receive(std::span<const std::byte> bytes, double at_s, std::vector<Chunk>& out) override;
  void advance(double at_s, std::vector<Chunk>& out) override;
  [[nodiscard]] std::optional<double> next_s() const override;
  void plugged(double at_s, std::vector<Chunk>& out) override;

 private:
  enum class Awaits : std::uint8_t { request, acknowledgement, repetition };
  void handle(const std::string& line, double at_s, std::vector<Chunk>& out);
  void say(std::string_view text, std::vector<Chunk>& out) const;
  [[nodiscard]] Chunk block(double at_s);
  [[nodiscard]] std::vector<std::byte> on_line(std::string_view text) const;
  [[nodiscard]] bool pushes() const { return head_.mode == Iec62056Mode::d; }
  [[nodiscard]] double push_time_s() const { return static_cast<double>(next_) * interval_s_; }

  MeterProfile profile_;
  Iec62056Settings head_;
  double interval_s_;
  Model model_;
  Faults faults_;
  std::string pending_;
  Awaits awaits_ = Awaits::request;
  std::uint64_t next_ = 0;
};

}  // namespace nightwatt::sim
