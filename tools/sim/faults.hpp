// The script's faults as a meter meets them, frame by frame.
#pragma once

#include <cstdint>
#include <deque>
#include <optional>
#include <vector>

#include "sim/meter.hpp"

namespace nightwatt::sim {

/// Hands out the fate of each frame, and the noise between frames.
class Faults {
 public:
  Faults(const Script& script, std::uint64_t seed);

  struct Verdict {
    Fate fate = Fate::good;
    int code = 0;  ///< of an exception
  };
  /// The fate of the frame due at `at_s`; each frame asks once.
  [[nodiscard]] Verdict next_frame(double at_s);
  /// Noise due up to `at_s`, one vector a burst.
  [[nodiscard]] std::vector<std::vector<std::byte>> noise_until(double at_s);
  /// When noise is next due.
  [[nodiscard]] std::optional<double> next_noise_s() const;

 private:
  struct Span {
    double begin_s, end_s;
  };
  struct Counted {
    double at_s;
    Fate fate;
    std::int64_t left;
    int code;
  };
  std::vector<std::byte> noise_bytes(std::size_t count);

  std::uint64_t seed_;
  std::uint64_t noise_sent_ = 0;
  std::vector<Span> quiet_;                            ///< silence and garbage: no frames
  std::deque<Counted> counted_;                        ///< by time
  std::deque<std::pair<double, std::size_t>> bursts_;  ///< when, how many bytes
};

}  // namespace nightwatt::sim
