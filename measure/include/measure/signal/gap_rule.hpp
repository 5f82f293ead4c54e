// The one rule for what is a gap: used by the segmenter and by a run's totals, so that their energies agree.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt {

/// What a profile says of when a meter reports.
struct Reporting {
  bool on_change = false;       ///< a reading holds until the next
  std::optional<double> gap_s;  ///< silence that is a gap; by the usual rule where not known
  friend bool operator==(const Reporting&, const Reporting&) = default;
};

/// Learns the median interval of one stream and says of every hole whether it is a gap: longer than the profile says,
/// or else than max(10 s, 5 x the median of the intervals so far, this one counted). The first interval is held against
/// the longest that a meter may have, or a run that begins just before an outage would take it for that. Incremental:
/// the answer for a reading never changes with what follows. Intervals are counted in classes 1/16 octave wide; the
/// median is the mean of its class, so that a regular stream gives its interval exactly. Bounded memory, constant cost.
class GapRule {
 public:
  static constexpr double shortest_gap_s = 10.0;
  static constexpr double median_factor = 5.0;
  static constexpr double longest_interval_s = 60.0;  ///< of meters whose levels are promised (docs/measuring.md)

  GapRule() = default;
  explicit GapRule(std::optional<double> gap_s) : gap_s_(gap_s) {}

  /// Times must rise. True: between the reading before and this one lies a gap.
  bool push(UtcTime time);
  /// 0 while no interval is known.
  [[nodiscard]] double median_interval_s() const;
  /// Whether the silence up to `time` is one already, by what is known so far; nothing is learnt of it.
  [[nodiscard]] bool is_gap(UtcTime time) const;
  /// What is longer than this is a gap, by what is known so far.
  [[nodiscard]] double limit_s() const;

  /// Without `gap_s`, which is the caller's to keep.
  [[nodiscard]] std::string save() const;
  [[nodiscard]] static Result<GapRule> restore(std::string_view state, std::optional<double> gap_s = {});
  /// The same, of a rule that has seen nothing, which keeps its `gap_s`. False: the bytes are no saved rule.
  [[nodiscard]] bool go_on_from(std::string_view state);

 private:
  struct Saved;
  static constexpr std::size_t class_count = 48 * 16;  // 1 us to 2^47 us, over four years
  struct Class {
    std::int64_t count = 0;
    std::int64_t sum_us = 0;
  };
  [[nodiscard]] static std::size_t class_of(std::int64_t interval_us);
  void count(std::int64_t interval_us);

  std::optional<double> gap_s_;
  std::optional<UtcTime> last_;
  std::array<Class, class_count> classes_{};
  std::int64_t total_ = 0;
  std::int64_t below_ = 0;  // intervals in classes below median_
  std::size_t median_ = 0;
};

}  // namespace nightwatt
