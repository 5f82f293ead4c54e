// A bench instrument that answers the profile's queries, and has an error queue.
#pragma once

#include <deque>

#include "drivers/scpi/settings.hpp"
#include "faults.hpp"
#include "sim/meter.hpp"

namespace nightwatt::sim {

/// A line in, at most a line out. A header it does not know makes no answer and an error in the queue, as SCPI-99 has
/// it; `exception` in the script does the same to a query it knows.
class ScpiInstrument final : public Meter {
 public:
  ScpiInstrument(const MeterProfile& profile, Script script, std::uint64_t seed);
  void receive(std::span<const std::byte> bytes, double at_s, std::vector<Chunk>& out) override;
  void advance(double at_s, std::vector<Chunk>& out) override;
  [[nodiscard]] std::optional<double> next_s() const override { return faults_.next_noise_s(); }
  void plugged(double at_s, std::vector<Chunk>& out) override;

 private:
  void handle(const std::string& line, double at_s, std::vector<Chunk>& out);
  [[nodiscard]] std::string answer(const std::string& query, double at_s,
                                   std::vector<std::pair<Quantity, std::string>>& values) const;
  void add_error(int number, std::string_view text);

  MeterProfile profile_;
  Model model_;
  Faults faults_;
  std::string pending_;
  std::deque<std::string> errors_;
};

}  // namespace nightwatt::sim
