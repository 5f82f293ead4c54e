// Meters with an optical head (IEC 62056-21): one that is asked, in modes a, b and c, and one that speaks by itself, in
// d.
#pragma once

#include "drivers/iec62056/settings.hpp"
#include "faults.hpp"
#include "pushing_meter.hpp"

namespace nightwatt::sim {

/// Answers a request with its identification and, in mode c once it was acknowledged, a data block with its check; NAK
/// has it repeated. `exception` makes it say an error string.
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

  MeterProfile profile_;
  Iec62056Settings head_;
  Model model_;
  Faults faults_;
  std::string pending_;
  Awaits awaits_ = Awaits::request;
};

/// Of mode d: says its read-out by itself every interval.
class PushingHead final : public PushingMeter {
 public:
  PushingHead(const MeterProfile& profile, Script script, std::uint64_t seed);

 private:
  [[nodiscard]] std::string frame(double at_s, std::uint64_t number, Fate fate, SentValues& values) const override;
  [[nodiscard]] std::vector<std::byte> on_line(std::string_view text) const override;
};

}  // namespace nightwatt::sim
