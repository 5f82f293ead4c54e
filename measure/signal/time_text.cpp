#include "measure/signal/time_text.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <chrono>
#include <cmath>
#include <cstdint>
#include <ctime>

namespace nightwatt {

namespace {

constexpr std::int64_t us_per_s = 1'000'000;
constexpr std::int64_t s_per_day = 86'400;
/// 9999-12-31T23:59:59Z: the last instant that has a four-digit year.
constexpr std::int64_t last_second = 253'402'300'799;

std::int64_t floor_div(std::int64_t a, std::int64_t b) {
  return a / b - (a % b < 0 ? 1 : 0);
}

/// Proleptic Gregorian, of a day counted from 1970-01-01; the calendar's years are those of 16 bits.
std::chrono::year_month_day date_of_day(std::int64_t day) {
  using std::chrono::sys_days, std::chrono::year;
  constexpr auto first = sys_days{year::min() / 1 / 1}.time_since_epoch().count();
  constexpr auto last = sys_days{year::max() / 12 / 31}.time_since_epoch().count();
  return sys_days{std::chrono::days{std::clamp<std::int64_t>(day, first, last)}};
}

void append_padded(std::string& text, std::int64_t number, int width) {
  std::array<char, 24> digits;
  const auto [end, error] = std::to_chars(digits.data(), digits.data() + digits.size(), number < 0 ? -number : number);
  if (number < 0) text += '-';
  const auto length = static_cast<int>(end - digits.data());
  for (int i = length; i < width; ++i) text += '0';
  text.append(digits.data(), end);
}

void append_date_time(std::string& text, std::int64_t seconds, char between) {
  const std::int64_t day = floor_div(seconds, s_per_day);
  const std::int64_t second = seconds - day * s_per_day;
  const std::chrono::year_month_day date = date_of_day(day);
  append_padded(text, static_cast<int>(date.year()), 4);
  text += '-';
  append_padded(text, static_cast<unsigned>(date.month()), 2);
  text += '-';
  append_padded(text, static_cast<unsigned>(date.day()), 2);
  text += between;
  append_padded(text, second / 3600, 2);
  text += ':';
  append_padded(text, second / 60 % 60, 2);
  text += ':';
  append_padded(text, second % 60, 2);
}

/// Reads a text from its front; every step says whether it found what it was told to.
class Scanner {
 public:
  explicit Scanner(std::string_view text) : rest_(text) {}
  [[nodiscard]] bool done() const { return rest_.empty(); }
  bool skip(char c) {
    if (rest_.empty() || rest_.front() != c) return false;
    rest_.remove_prefix(1);
    return true;
  }
  /// Exactly `width` digits.
  std::optional<int> digits(std::size_t width) {
    if (rest_.size() < width) return std::nullopt;
    int value = 0;
    for (std::size_t i = 0; i < width; ++i) {
      if (rest_[i] < '0' || rest_[i] > '9') return std::nullopt;
      value = value * 10 + (rest_[i] - '0');
    }
    rest_.remove_prefix(width);
    return value;
  }
  /// One digit or more after a point, as microseconds rounded to the nearest.
  std::optional<std::int64_t> fraction_us() {
    std::int64_t us = 0;
    std::size_t count = 0;
    bool up = false;
    for (; !rest_.empty() && rest_.front() >= '0' && rest_.front() <= '9'; rest_.remove_prefix(1), ++count) {
      if (count < 6) us = us * 10 + (rest_.front() - '0');
      if (count == 6) up = rest_.front() >= '5';
    }
    if (count == 0) return std::nullopt;
    for (std::size_t i = count; i < 6; ++i) us *= 10;
    return us + (up ? 1 : 0);
  }
  /// Digits up to 12 (the last second of year 9999 has 12); nullopt for none or more.
  std::optional<std::int64_t> whole_seconds() {
    std::int64_t value = 0;
    std::size_t count = 0;
    for (; !rest_.empty() && rest_.front() >= '0' && rest_.front() <= '9'; rest_.remove_prefix(1), ++count) {
      if (count == 12) return std::nullopt;
      value = value * 10 + (rest_.front() - '0');
    }
    return count == 0 ? std::nullopt : std::optional(value);
  }

 private:
  std::string_view rest_;
};

struct CivilTime {
  int year = 0, month = 0, day = 0, hour = 0, minute = 0, second = 0;
  std::int64_t us = 0;
};

std::chrono::year_month_day date_of(const CivilTime& civil) {
  return std::chrono::year{civil.year} / civil.month / civil.day;
}

tl::unexpected<Error> refuse(std::string_view text, std::string_view why) {
  std::string shown;
  for (const char c : text.substr(0, 40)) shown += c >= ' ' && c <= '~' ? c : '?';
  if (text.size() > 40) shown += "...";
  return fail(ErrorKind::input, "time '" + shown + "' " + std::string(why));
}

/// Offset in seconds at the end of the text; nullopt if it is malformed.
std::optional<std::int64_t> parse_offset(Scanner& scan) {
  const bool west = scan.skip('-');
  if (!west && !scan.skip('+')) return std::nullopt;
  const std::optional<int> hours = scan.digits(2);
  if (!hours || *hours > 23) return std::nullopt;
  int minutes = 0;
  if (!scan.done()) {
    scan.skip(':');
    const std::optional<int> read = scan.digits(2);
    if (!read || *read > 59) return std::nullopt;
    minutes = *read;
  }
  const std::int64_t seconds = *hours * 3600 + minutes * 60;
  return west ? -seconds : seconds;
}

/// The instant of a local time. Of the two instants of an hour that comes twice, when summer time ends, the first; an
/// hour that summer time skips has none.
std::optional<std::int64_t> local_second(const CivilTime& civil) {
  std::optional<std::int64_t> first;
  for (const int summer : {1, 0}) {
    std::tm fields{};
    fields.tm_year = civil.year - 1900;
    fields.tm_mon = civil.month - 1;
    fields.tm_mday = civil.day;
    fields.tm_hour = civil.hour;
    fields.tm_min = civil.minute;
    fields.tm_sec = civil.second;
    fields.tm_isdst = summer;
    const std::time_t second = std::mktime(&fields);
    std::tm back{};
    if (localtime_r(&second, &back) == nullptr) continue;
    const bool same = back.tm_year == civil.year - 1900 && back.tm_mon == civil.month - 1 &&
                      back.tm_mday == civil.day && back.tm_hour == civil.hour && back.tm_min == civil.minute &&
                      back.tm_sec == civil.second;
    if (same && (!first || second < *first)) first = second;
  }
  return first;
}

/// `HH:MM`, `HH:MM:SS`, `HH:MM:SS.ffffff`.
bool parse_clock(Scanner& scan, CivilTime& civil) {
  const std::optional<int> hour = scan.digits(2);
  if (!hour || !scan.skip(':')) return false;
  const std::optional<int> minute = scan.digits(2);
  if (!minute) return false;
  civil.hour = *hour;
  civil.minute = *minute;
  if (!scan.skip(':')) return true;
  const std::optional<int> second = scan.digits(2);
  if (!second) return false;
  civil.second = *second;
  if (!scan.skip('.')) return true;
  const std::optional<std::int64_t> us = scan.fraction_us();
  civil.us = us.value_or(0);
  return us.has_value();
}

Result<UtcTime> parse_iso(std::string_view text) {
  constexpr std::string_view form =
      "is not understood; write it as 2026-01-05T21:00:00Z, 2026-01-05 22:00 (local time) or Unix seconds";
  Scanner scan(text);
  CivilTime civil;
  const std::optional<int> year = scan.digits(4);
  if (!year || !scan.skip('-')) return refuse(text, form);
  const std::optional<int> month = scan.digits(2);
  if (!month || !scan.skip('-')) return refuse(text, form);
  const std::optional<int> day = scan.digits(2);
  if (!day) return refuse(text, form);
  civil.year = *year;
  civil.month = *month;
  civil.day = *day;
  if (!scan.done()) {
    if (!scan.skip('T') && !scan.skip('t') && !scan.skip(' ')) return refuse(text, form);
    if (!parse_clock(scan, civil)) return refuse(text, form);
  }
  if (!date_of(civil).ok()) return refuse(text, "names a day that is not in the calendar");
  if (civil.hour > 23 || civil.minute > 59 || civil.second > 59) return refuse(text, "names no time of the day");
  if (scan.done()) {
    const std::optional<std::int64_t> second = local_second(civil);
    if (!second) return refuse(text, "does not exist in this time zone: the clock is put forward there; add an offset");
    return UtcTime{*second * us_per_s + civil.us};
  }
  std::int64_t offset_s = 0;
  if (!scan.skip('Z') && !scan.skip('z')) {
    const std::optional<std::int64_t> offset = parse_offset(scan);
    if (!offset) return refuse(text, form);
    offset_s = *offset;
  }
  if (!scan.done()) return refuse(text, form);
  const std::int64_t second = std::chrono::sys_days{date_of(civil)}.time_since_epoch().count() * s_per_day +
                              civil.hour * 3600 + civil.minute * 60 + civil.second - offset_s;
  return UtcTime{second * us_per_s + civil.us};
}

}  // namespace

std::string utc_text(UtcTime time) {
  const std::int64_t seconds = floor_div(time.us, us_per_s);
  const std::int64_t us = time.us - seconds * us_per_s;
  std::string text;
  text.reserve(28);
  append_date_time(text, seconds, 'T');
  text += '.';
  if (us % 1000 == 0)
    append_padded(text, us / 1000, 3);
  else
    append_padded(text, us, 6);
  text += 'Z';
  return text;
}

std::string local_text(UtcTime time) {
  const std::int64_t seconds = floor_div(time.us, us_per_s);
  std::tm local{};
  const auto second = static_cast<std::time_t>(seconds);
  if (localtime_r(&second, &local) == nullptr) return utc_text(time);
  const std::int64_t offset = local.tm_gmtoff;
  std::string text;
  text.reserve(28);
  append_date_time(text, seconds + offset, ' ');
  text += offset < 0 ? " -" : " +";
  const std::int64_t magnitude = offset < 0 ? -offset : offset;
  append_padded(text, magnitude / 3600, 2);
  text += ':';
  append_padded(text, magnitude / 60 % 60, 2);
  return text;
}

std::string unix_text(UtcTime time) {
  std::string text;
  const bool negative = time.us < 0;
  const std::int64_t seconds = time.us / us_per_s;
  std::int64_t us = time.us % us_per_s;
  if (negative) {
    text += '-';
    us = -us;
  }
  append_padded(text, negative ? -seconds : seconds, 1);
  if (us != 0) {
    text += '.';
    append_padded(text, us, 6);
    while (text.back() == '0') text.pop_back();
  }
  return text;
}

Result<UtcTime> parse_time(std::string_view text) {
  if (text.size() > 4 && text[4] == '-') return parse_iso(text);
  Scanner scan(text);
  const std::optional<std::int64_t> seconds = scan.whole_seconds();
  std::int64_t us = 0;
  if (!seconds || *seconds > last_second) {
    if (seconds) return refuse(text, "lies beyond the year 9999; Unix time is in seconds");
    return parse_iso(text);
  }
  if (scan.skip('.')) {
    const std::optional<std::int64_t> fraction = scan.fraction_us();
    if (!fraction) return parse_iso(text);
    us = *fraction;
  }
  if (!scan.done()) return parse_iso(text);
  return UtcTime{*seconds * us_per_s + us};
}

std::string duration_text(Seconds seconds) {
  if (!std::isfinite(seconds.value) || std::abs(seconds.value) > 1e12) return "? s";
  std::string text;
  if (seconds.value < 0) text = "-";
  const double magnitude = std::abs(seconds.value);
  if (magnitude < 9.95) {
    const auto tenths = static_cast<std::int64_t>(std::floor(magnitude * 10.0 + 0.5));
    append_padded(text, tenths / 10, 1);
    if (tenths % 10 != 0) {
      text += '.';
      append_padded(text, tenths % 10, 1);
    }
    return text + " s";
  }
  const auto whole = static_cast<std::int64_t>(std::floor(magnitude + 0.5));
  const auto two = [&](std::int64_t large, std::string_view large_unit, std::int64_t small,
                       std::string_view small_unit) {
    append_padded(text, large, 1);
    text += large_unit;
    if (small == 0) return;
    text += ' ';
    append_padded(text, small, 1);
    text += small_unit;
  };
  if (whole < 120) {
    append_padded(text, whole, 1);
    text += " s";
  } else if (whole < 3600) {
    two(whole / 60, " min", whole % 60, " s");
  } else if (whole + 30 < 48 * 3600) {
    const std::int64_t minutes = (whole + 30) / 60;
    two(minutes / 60, " h", minutes % 60, " min");
  } else {
    const std::int64_t hours = (whole + 1800) / 3600;
    two(hours / 24, " d", hours % 24, " h");
  }
  return text;
}

}  // namespace nightwatt
