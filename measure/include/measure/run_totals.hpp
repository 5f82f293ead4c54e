// The figures of a run that need no segments: counts, energy, gaps, the meter's own counter, the peak.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "measure/reading.hpp"
#include "measure/result.hpp"

namespace nightwatt {

/// Incremental; same answer whatever the chunking. Energy is the trapezoid over neighbouring power readings and never
/// bridges a gap (a hole longer than max(10 s, 5 x the median interval)).
class RunTotals {
 public:
  void push(const Reading& reading);

  [[nodiscard]] std::int64_t samples() const;
  [[nodiscard]] std::optional<UtcTime> first() const;
  [[nodiscard]] std::optional<UtcTime> last() const;
  [[nodiscard]] double gap_s() const;                  ///< sum of all gaps between first and last
  [[nodiscard]] std::optional<double> energy_wh() const;   ///< nullopt below two power readings
  [[nodiscard]] std::optional<double> counter_wh() const;  ///< wraps and resets handled; nullopt without a counter
  [[nodiscard]] std::int64_t counter_resets() const;
  [[nodiscard]] std::optional<double> peak_w() const;
  [[nodiscard]] std::optional<double> mean_w() const;      ///< time-weighted, over the data

  [[nodiscard]] std::string save() const;
  [[nodiscard]] static Result<RunTotals> restore(std::string_view state);

 private:
  // owned by the implementer of this header
};

}  // namespace nightwatt
