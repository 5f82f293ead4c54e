#include "measure/signal/calendar.hpp"

#include <algorithm>
#include <iterator>
#include <optional>

namespace nightwatt {

void Calendar::correct(Duration utc_offset) {
  if (pieces_.empty())
    add(UtcTime{std::numeric_limits<std::int64_t>::min()}, utc_offset);
  else
    pieces_.back().utc_offset = utc_offset;
}

void Calendar::note_outage(UtcTime newest, UtcTime end) {
  constexpr Duration rounding{1000};  // the store tells an outage's length in seconds
  if (!outages_.empty() && newest <= outages_.back().newest + rounding)
    outages_.back().end = end;
  else
    outages_.push_back({newest, end});
}

std::optional<Duration> Calendar::unseen(const Outage& outage) const {
  const Duration unseen = utc_offset_at(outage.end) - utc_offset_at(outage.newest);
  return outage.end + unseen >= outage.newest ? std::optional(unseen) : std::nullopt;
}

bool Calendar::rises() const {
  return std::all_of(outages_.begin(), outages_.end(),
                     [&](const Outage& outage) { return unseen(outage).has_value(); });
}

Duration Calendar::utc_offset_at(UtcTime record) const {
  const auto after = std::upper_bound(pieces_.begin(), pieces_.end(), record,
                                      [](UtcTime time, const Piece& piece) { return time < piece.from; });
  return after == pieces_.begin() ? Duration{0} : std::prev(after)->utc_offset;
}

UtcTime Calendar::record_time(UtcTime shown) const {
  std::optional<UtcTime> next;  // where the stretch after this one begins
  for (auto piece = pieces_.rbegin(); piece != pieces_.rend(); ++piece) {
    const UtcTime time = shown - piece->utc_offset;
    if (time >= piece->from) return next ? std::min(time, *next) : time;
    next = piece->from;
  }
  return next ? std::min(shown, *next) : shown;
}

}  // namespace nightwatt
