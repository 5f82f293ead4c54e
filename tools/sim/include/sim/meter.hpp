// A simulated meter without its wire: bytes in, bytes out, and a protocol of what was sent. No port, no clock.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <utility>
#include <vector>

#include "measure/signal/meter_profile.hpp"
#include "measure/signal/result.hpp"
#include "sim/model.hpp"

namespace nightwatt::sim {

/// What became of one frame.
enum class Fate : std::uint8_t { good, cut, checksum, exception, twice, silent };
[[nodiscard]] std::string_view fate_name(Fate fate);

/// One frame, and the values in it as plain decimal text, scaled to W, Wh, V, A, Hz, VA, var: what a reader of the
/// frame must come to, digit for digit.
struct Sent {
  double at_s = 0.0;  ///< simulated; the instant the values are of
  Fate fate = Fate::good;
  std::vector<std::pair<Quantity, std::string>> values;
};

/// Bytes that belong together, with the frame they carry. Noise carries none.
struct Chunk {
  std::vector<std::byte> bytes;
  std::optional<Sent> sent;
};

/// Owns the script's faults that are still to come. Simulated time is an argument that never goes back. One thread.
class Meter {
 public:
  virtual ~Meter() = default;
  /// Bytes from the master. `at_s` is now.
  virtual void receive(std::span<const std::byte> bytes, double at_s, std::vector<Chunk>& out) = 0;
  /// Lets time pass: what the meter says by itself up to `at_s`, noise included.
  virtual void advance(double at_s, std::vector<Chunk>& out) = 0;
  /// When advance() next has something to do.
  [[nodiscard]] virtual std::optional<double> next_s() const = 0;
  /// The cable was put back: forget half a request.
  virtual void plugged(double at_s, std::vector<Chunk>& out) = 0;
};

/// Error kind input where profile and script do not fit together.
[[nodiscard]] Result<std::unique_ptr<Meter>> make_meter(const MeterProfile& profile, Script script, std::uint64_t seed);

/// The script's unplugged times, by time: [begin, end) in simulated seconds.
[[nodiscard]] std::vector<std::pair<double, double>> unplugged_times(const Script& script);

}  // namespace nightwatt::sim
