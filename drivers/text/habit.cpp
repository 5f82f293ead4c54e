#include "text/habit.hpp"
#include "measure/signal/fnv1a.hpp"

#include <algorithm>
#include <cstdlib>

namespace nightwatt::drivers::text {

namespace {

int decimals_of(const Decimal& number) {
  return std::max(0, -static_cast<int>(number.exponent));
}

/// All digits of a number as written, one at least in front of the point.
int digits_of(const Decimal& number) {
  int digits = 1;
  for (std::int64_t rest = std::abs(number.mantissa) / 10; rest != 0; rest /= 10) ++digits;
  return std::max(digits, decimals_of(number) + 1);
}

}  // namespace

bool DecimalsHabit::accepts(const Decimal& written) {
  const int decimals = decimals_of(written);
  const int digits = digits_of(written);
  const bool zero_at_end = decimals > 0 && written.mantissa % 10 == 0;
  const auto believe = [&] {
    digits_ = digits;
    other_running_ = 0;
    return true;
  };
  if (decimals == decimals_ || agreeing_ < lines_to_believe) {
    agreeing_ = decimals == decimals_ ? std::min(agreeing_ + 1, lines_to_believe) : 1;
    decimals_ = std::max(decimals, decimals_);
    keeps_zeros_ = keeps_zeros_ || zero_at_end;
    return believe();
  }
  if (decimals < decimals_ && !keeps_zeros_ && !zero_at_end && ++without_zeros_ > lines_to_believe) return believe();
  if (digits == digits_ && ++moved_points_ > lines_to_believe) return believe();
  other_running_ = decimals == other_ ? other_running_ + 1 : 1;
  other_ = decimals;
  if (other_running_ < lines_to_believe) return false;
  *this = DecimalsHabit();
  decimals_ = decimals;
  agreeing_ = lines_to_believe;
  keeps_zeros_ = zero_at_end;
  return believe();
}

std::uint64_t with_name(std::uint64_t hash, std::string_view name) {
  Fnv1a names = hash == 0 ? Fnv1a() : Fnv1a(hash);
  names.add(name);
  names.add('\0');  // so that "ab" "c" is not "a" "bc"
  return names.value();
}

bool LayoutHabit::accepts(std::uint64_t layout) {
  if (known_count_ == 0) {  // no habit yet
    other_running_ = layout == other_ ? other_running_ + 1 : 1;
    other_ = layout;
    if (other_running_ == lines_to_believe) known_[known_count_++] = layout;
    return true;
  }
  const auto end = known_.begin() + static_cast<std::ptrdiff_t>(known_count_);
  const bool known = std::find(known_.begin(), end, layout) != end;
  at_ = (at_ + 1) % window;
  seen_[at_] = known ? 0 : layout;
  if (known) {
    other_running_ = 0;
    return true;
  }
  other_running_ = layout == other_ ? other_running_ + 1 : 1;
  other_ = layout;
  const auto times = static_cast<std::size_t>(std::count(seen_.begin(), seen_.end(), layout));
  if (other_running_ < lines_to_believe && times < times_in_window) return false;
  if (known_count_ == known_limit) {
    std::rotate(known_.begin(), known_.begin() + 1, known_.end());
    --known_count_;
  }
  known_[known_count_++] = layout;
  return true;
}

}  // namespace nightwatt::drivers::text
