#include "order.hpp"

#include <algorithm>

#include "measure/signal/time_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::csv {
namespace {

constexpr std::int64_t us_per_s = 1'000'000;
/// A hole of more than a year in one record is a clock that was set, or a slip of the hand.
constexpr std::int64_t longest_step_us = 366 * std::int64_t{86'400} * us_per_s;
/// More readings in a second than any meter gives are times in another unit.
constexpr std::int64_t shortest_mean_step_us = 100;
/// Fewer readings say nothing of how many come in a second.
constexpr std::uint64_t judged_from = 4;
/// Readings of one stamp held in memory: a stamp of a day over readings of a tenth of a second, some 150 MB.
constexpr std::size_t group_limit = 900'000;

}  // namespace

Order::Order(std::string name, const Form& form, bool spread) : name_(std::move(name)), form_(form), spreads_(spread) {}

tl::unexpected<Error> Order::refuse(std::uint64_t line, const std::string& what) const {
  return fail(ErrorKind::input, name_ + ":" + std::to_string(line) + ": " + what);
}

std::string Order::shown(std::int64_t us) const {
  std::string text = utc_text(UtcTime{us});
  text[10] = ' ';
  return text.substr(0, 19);
}

Result<UtcTime> Order::instant_of(const Row& row) {
  if (!row.time.is_shown) return UtcTime{row.time.us};
  const std::int64_t shown_s = row.time.us >= 0 ? row.time.us / us_per_s : (row.time.us - us_per_s + 1) / us_per_s;
  const std::int64_t below_us = row.time.us - shown_s * us_per_s;
  const Zone::Instants instants = form_.zone.at(shown_s);
  if (!instants.first)
    return refuse(row.line, "the time " + shown(row.time.us) + " was never shown in " + form_.zone_text +
                                ": the clock was put forward over it; say whose clock it was: --zone, such as +01:00");
  if (instants.second) return of_repeated_hour(row, instants, below_us);
  const UtcTime time{*instants.first * us_per_s + below_us};
  // Straight on behind the hour that comes twice, which the file has once: then the clock was not put back.
  constexpr std::int64_t straight_on_us = 600 * us_per_s;
  if (hour_ == Hour::first_of_two && !hour_proved_ && row.time.us - last_shown_us_ < straight_on_us)
    return refuse(row.line, "the clocks of " + form_.zone_text + " were put back before " + shown(row.time.us) +
                                ", and the file shows that hour only once; say whose clock it was: --zone, such as "
                                "+01:00");
  hour_ = Hour::once;
  hour_proved_ = false;
  last_shown_us_ = row.time.us;
  return time;
}

Result<UtcTime> Order::of_repeated_hour(const Row& row, const Zone::Instants& instants, std::int64_t below_us) {
  if (!first_time_)
    return refuse(row.line, "the time " + shown(row.time.us) + " came twice in " + form_.zone_text +
                                ": the clock was put back; say which is meant: --zone, such as +01:00 or +02:00");
  if (hour_ == Hour::once) hour_ = Hour::first_of_two;
  if (hour_ == Hour::first_of_two && row.time.us < last_shown_us_) {
    hour_ = Hour::second_of_two;
    hour_proved_ = true;
  }
  last_shown_us_ = row.time.us;
  return UtcTime{(hour_ == Hour::first_of_two ? *instants.first : *instants.second) * us_per_s + below_us};
}

Result<void> Order::check_step(const Row& row, UtcTime time) {
  if (time < *last_time_)
    return refuse(row.line, "the time goes back, from " + unix_text(*last_time_) + " to " + unix_text(time) +
                                "; sort the file by time, or import its parts one by one");
  if (time.us - last_time_->us > longest_step_us)
    return refuse(row.line, "the time steps over " +
                                duration_text(Seconds{static_cast<double>(time.us - last_time_->us) / 1e6}) +
                                ", from " + utc_text(*last_time_) + " to " + utc_text(time) +
                                ": a clock that was set meanwhile? import the parts one by one, or name the form of "
                                "the times with --date-format");
  return {};
}

Result<void> Order::same_time(const Row& row) {
  if (!last_kept_) {
    ready_.push_back({*last_time_, row.values});
    last_values_ = row.values;
    last_kept_ = true;
    ++readings_;
    return {};
  }
  if (row.values == last_values_) {
    ++duplicates_;
    return {};
  }
  found_coarse_ = true;
  return refuse(row.line, "two readings have the time " + unix_text(*last_time_));
}

Result<void> Order::put(const Row& row) {
  const auto time = instant_of(row);
  if (!time) return tl::unexpected(time.error());
  if (time->us < 0 || *time >= time_limit)
    return refuse(row.line, "the time " + unix_text(*time) + " lies before 1970 or after 2199; correct the line");
  if (last_time_)
    if (auto step = check_step(row, *time); !step) return step;
  const bool same = last_time_ && *time == *last_time_;
  if (!first_time_) first_time_ = *time;
  last_time_ = *time;
  if (!same) {
    ++stamps_;
    last_kept_ = false;
  }
  if (row.values.empty()) return {};
  if (spreads_) {
    if (!group_.empty() && group_.back().time != *time) spread_group(*time);
    group_.push_back({*time, row.values});
    ++readings_;
    if (group_.size() > group_limit)
      return refuse(row.line, "more than " + std::to_string(group_limit) + " readings have the time " +
                                  unix_text(*time) + "; name the column with the whole time: --time");
    return {};
  }
  if (same) return same_time(row);
  ready_.push_back({*time, row.values});
  last_values_ = row.values;
  last_kept_ = true;
  ++readings_;
  return {};
}

/// Evenly up to the next stamp; over a hole, and behind the last stamp, no farther than stamps usually go.
void Order::spread_group(std::optional<UtcTime> next) {
  const auto count = static_cast<std::int64_t>(group_.size());
  std::int64_t span = form_.usual_step_us;
  if (next) span = span > 0 ? std::min(span, next->us - group_.front().time.us) : next->us - group_.front().time.us;
  if (!next && group_step_us_ > 0) span = std::min(span, group_step_us_ * count);
  for (std::int64_t i = 0; i < count; ++i) {
    Reading& reading = group_[static_cast<std::size_t>(i)];
    reading.time.us += span * i / count;
    spread_ += i > 0 ? 1 : 0;
    ready_.push_back(reading);
  }
  if (count > 1) group_step_us_ = span / count;
  group_.clear();
}

Result<void> Order::finish(std::uint64_t line) {
  if (spreads_ && stamps_ < 2 && group_.size() > 1)
    return refuse(line, "all " + std::to_string(group_.size()) + " readings have one time, " +
                            unix_text(group_.front().time) + "; name the column with the whole time: --time");
  if (!group_.empty()) spread_group(std::nullopt);
  const std::uint64_t lines = readings_ + duplicates_;
  const std::int64_t lasted_us = first_time_ ? last_time_->us - first_time_->us : 0;
  if (lines >= judged_from && lasted_us < static_cast<std::int64_t>(lines - 1) * shortest_mean_step_us)
    return refuse(line, std::to_string(lines) + " readings in " + unix_text(UtcTime{lasted_us}) +
                            " s: the times are of another form or unit; name it with --date-format, such as serial or "
                            "unix-ms");
  return {};
}

void Order::take(std::vector<Reading>& batch, std::size_t most) {
  batch.clear();
  if (ready_.size() <= most) {
    batch.swap(ready_);
    return;
  }
  const auto end = ready_.begin() + static_cast<std::ptrdiff_t>(most);
  batch.assign(ready_.begin(), end);
  ready_.erase(ready_.begin(), end);
}

}  // namespace nightwatt::csv
