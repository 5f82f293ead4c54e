// What all meters have in common that speak by themselves.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "faults.hpp"
#include "sim/meter.hpp"

namespace nightwatt::sim {

/// Says frame k of the script at k intervals, whoever listens; the values in it are of exactly that instant. One whose
/// profile says that it reports on change says a frame only when it shows something else than it said last, and looks
/// at its display at those instants.
class PushingMeter : public Meter {
 public:
  void receive(std::span<const std::byte>, double at_s, std::vector<Chunk>& out) override { advance(at_s, out); }
  void advance(double at_s, std::vector<Chunk>& out) override;
  [[nodiscard]] std::optional<double> next_s() const override;
  void plugged(double at_s, std::vector<Chunk>& out) override;

 protected:
  using SentValues = std::vector<std::pair<Quantity, std::string>>;

  PushingMeter(const MeterProfile& profile, Script script, std::uint64_t seed);
  /// Frame `number` with the values of `at_s`, which are told in `values`; of the fates those that change what is said
  /// matter, not what becomes of it on the way.
  [[nodiscard]] virtual std::string frame(double at_s, std::uint64_t number, Fate fate, SentValues& values) const = 0;
  [[nodiscard]] virtual std::vector<std::byte> on_line(std::string_view text) const;
  [[nodiscard]] const MeterProfile& profile() const { return profile_; }
  [[nodiscard]] const Model& model() const { return model_; }

 private:
  [[nodiscard]] double frame_time_s() const { return static_cast<double>(next_) * interval_s_; }
  void speak(double at_s, std::vector<Chunk>& out);

  MeterProfile profile_;
  double interval_s_;
  Model model_;
  Faults faults_;
  std::uint64_t next_ = 0;
  std::optional<SentValues> said_;  ///< since it was plugged in
};

}  // namespace nightwatt::sim
