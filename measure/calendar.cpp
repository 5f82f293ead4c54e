#include "measure/calendar.hpp"

#include <algorithm>
#include <iterator>
#include <optional>

namespace nightwatt {

void Calendar::correct(Duration shift) {
  if (pieces_.empty())
    add(UtcTime{std::numeric_limits<std::int64_t>::min()}, shift);
  else
    pieces_.back().shift = shift;
}

Duration Calendar::shift_at(UtcTime record) const {
  const auto after = std::upper_bound(pieces_.begin(), pieces_.end(), record,
                                      [](UtcTime time, const Piece& piece) { return time < piece.from; });
  return after == pieces_.begin() ? Duration{0} : std::prev(after)->shift;
}

UtcTime Calendar::record_time(UtcTime shown) const {
  std::optional<UtcTime> next;  // where the stretch after this one begins
  for (auto piece = pieces_.rbegin(); piece != pieces_.rend(); ++piece) {
    const UtcTime time = shown - piece->shift;
    if (time >= piece->from) return next ? std::min(time, *next) : time;
    next = piece->from;
  }
  return next ? std::min(shown, *next) : shown;
}

}  // namespace nightwatt
