// What the lines of one meter have in common, so that a cut line is told from a whole one.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <string_view>

#include "measure/signal/decimal.hpp"

namespace nightwatt::drivers::text {

/// Lines that must agree before something new is believed: one damaged line is likely, three alike are not.
inline constexpr int lines_to_believe = 3;

/// The digits behind the point of one value. A meter that prints a fixed number of them shows no other: a number that
/// does is a cut one. Two kinds of meters show others by right, and are believed once they have done so a few times:
/// those that leave zeros at the end out, and so never show one, and those that have so many digits in all and move the
/// point.
class DecimalsHabit {
 public:
  /// Whether a number, as written, is to be believed.
  [[nodiscard]] bool accepts(const Decimal& written);

 private:
  int decimals_ = -1;  ///< of the good numbers; below 0: none yet
  int digits_ = 0;     ///< all digits of the last good number
  int agreeing_ = 0;   ///< good numbers with so many decimals, up to lines_to_believe
  bool keeps_zeros_ = false;
  int without_zeros_ = 0;  ///< shorter numbers while no zero at the end was seen
  int moved_points_ = 0;   ///< numbers with as many digits in all
  int other_ = -1;         ///< decimals of the last number not believed
  int other_running_ = 0;
};

/// A hash of names in their order (Fnv1a), a name at a time; 0 before the first.
[[nodiscard]] std::uint64_t with_name(std::uint64_t hash, std::string_view name);

/// How lines are built: which names they have, in which order. A layout counts after three lines running, or when it
/// was seen several times among the last lines: some meters say more in every tenth line.
class LayoutHabit {
 public:
  /// Whether a line of this layout, told by a hash of its names, is to be believed.
  [[nodiscard]] bool accepts(std::uint64_t layout);

 private:
  /// A meter has one or two kinds of lines, seldom four.
  static constexpr std::size_t known_limit = 4;
  static constexpr std::size_t window = 64;  ///< lines looked back
  static constexpr std::size_t times_in_window = 4;

  std::array<std::uint64_t, known_limit> known_{};
  std::size_t known_count_ = 0;
  std::array<std::uint64_t, window> seen_{};  ///< layouts not known, a ring; 0: a known one
  std::size_t at_ = 0;
  std::uint64_t other_ = 0;
  int other_running_ = 0;
};

}  // namespace nightwatt::drivers::text
