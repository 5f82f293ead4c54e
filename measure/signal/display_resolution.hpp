// The step of a display that nobody has named, learnt from what it shows.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

namespace nightwatt {

/// Follows one stream, reading by reading. A value.
///
/// The digits bound the step from below: of the powers of ten up to 1 W the largest that divides every reading. A
/// display may use fewer of its digits, 0.5 W at a time: then its step is the least difference of neighbouring
/// readings, believed once a display that does not stand still has shown it several times. The difference of two
/// levels is no step. A display that stands still, at a few different values that all end in 0 or 5, shows halves of
/// its last digit but one.
class DisplayResolution {
 public:
  void push(double power_w);
  [[nodiscard]] double step_w() const;  ///< above 0 from the first reading on
  /// Whether it may yet turn out that the display shows a digit or more less than `told_w` tells of.
  [[nodiscard]] bool may_be_coarser_than(double told_w) const;
  /// `told_w`, unless it is a digit or more finer than what a display on the move shows: then the last digit shown.
  [[nodiscard]] double step_beside(double told_w) const;

  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar(self.last_uw_, self.digit_uw_, self.stood_, self.least_uw_, self.seen_, self.no_fives_, self.fives_uw_);
    ar.require(self.digit_uw_ >= 1 && self.digit_uw_ <= coarsest_uw);
  }

 private:
  static constexpr std::int64_t coarsest_uw = 1'000'000;
  void look_for_fives(std::int64_t shown_uw);
  std::int64_t digit_uw_ = coarsest_uw;
  std::optional<std::int64_t> last_uw_;
  std::int64_t stood_ = 0;              ///< readings since the display last changed
  std::int64_t least_uw_ = 0;           ///< least difference; 0: none yet
  std::int64_t seen_ = 0;               ///< how often a display on the move has shown it
  std::vector<std::int64_t> fives_uw_;  ///< different values, the first few, all of them five of the last digit
  bool no_fives_ = false;               ///< a value was none
};

}  // namespace nightwatt
