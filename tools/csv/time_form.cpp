#include "time_form.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "text/printable.hpp"

namespace nightwatt::csv {
namespace {

constexpr std::int64_t us_per_s = 1'000'000;
constexpr std::int64_t s_per_day = 86'400;
/// From day 0 of a spreadsheet to 1970: 1899-12-30, since they hold 1900 for a leap year (ISO/IEC 29500-1, 18.17.4.1).
constexpr std::int64_t serial_1900_days = 25'569;
constexpr std::int64_t serial_1904_days = 24'107;

bool is_digit(char c) {
  return c >= '0' && c <= '9';
}
char small(char c) {
  return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
}

/// Takes a text apart from its front.
class Scan {
 public:
  explicit Scan(std::string_view text) : rest_(text) {}
  [[nodiscard]] bool done() const { return rest_.empty(); }
  [[nodiscard]] char front() const { return rest_.empty() ? '\0' : rest_.front(); }
  [[nodiscard]] std::string_view rest() const { return rest_; }
  bool skip(char c) {
    if (front() != c || rest_.empty()) return false;
    rest_.remove_prefix(1);
    return true;
  }
  bool skip_any_of(std::string_view set) { return !rest_.empty() && set.find(front()) != set.npos && skip(front()); }
  void skip_blanks() {
    while (skip(' ')) {
    }
  }
  /// Whether the text goes on with this word of small letters, in letters of any size.
  bool skip_word(std::string_view word) {
    if (rest_.size() < word.size()) return false;
    for (std::size_t i = 0; i < word.size(); ++i)
      if (small(rest_[i]) != word[i]) return false;
    rest_.remove_prefix(word.size());
    return true;
  }
  [[nodiscard]] std::size_t digits_ahead() const {
    std::size_t count = 0;
    while (count < rest_.size() && is_digit(rest_[count])) ++count;
    return count;
  }
  int take(std::size_t digits) {
    int value = 0;
    for (std::size_t i = 0; i < digits; ++i) value = value * 10 + (rest_[i] - '0');
    rest_.remove_prefix(digits);
    return value;
  }
  std::optional<int> number(std::size_t least, std::size_t most) {
    const std::size_t digits = digits_ahead();
    if (digits < least || digits > most) return std::nullopt;
    return take(digits);
  }
  /// Digits behind a point, as microseconds rounded to the nearest.
  std::optional<std::int64_t> fraction_us() {
    const std::size_t digits = digits_ahead();
    if (digits == 0) return std::nullopt;
    std::int64_t us = 0;
    for (std::size_t i = 0; i < 6; ++i) us = us * 10 + (i < digits ? rest_[i] - '0' : 0);
    if (digits > 6 && rest_[6] >= '5') ++us;
    rest_.remove_prefix(digits);
    return us;
  }

 private:
  std::string_view rest_;
};

struct Day {
  int year = 0, month = 0, day = 0;
};

bool in_calendar(const Day& day) {
  constexpr std::array<int, 12> lengths = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
  if (day.month < 1 || day.month > 12 || day.day < 1) return false;
  const bool leap = (day.year % 4 == 0 && day.year % 100 != 0) || day.year % 400 == 0;
  return day.day <= lengths[static_cast<std::size_t>(day.month - 1)] + (day.month == 2 && leap ? 1 : 0);
}

/// Days since 1970-01-01. The year is made to begin in March, so that the leap day comes last.
std::int64_t day_number(const Day& day) {
  const std::int64_t year = day.month <= 2 ? day.year - 1 : day.year;
  const std::int64_t era = year / 400;
  const std::int64_t year_of_era = year - era * 400;
  const std::int64_t day_of_year = (153 * (day.month > 2 ? day.month - 3 : day.month + 9) + 2) / 5 + day.day - 1;
  return era * 146'097 + year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year - 719'468;
}

std::optional<int> month_name(Scan& scan) {
  constexpr std::array<std::string_view, 12> names = {"january",   "february", "march",    "april",
                                                      "may",       "june",     "july",     "august",
                                                      "september", "october",  "november", "december"};
  for (std::size_t i = 0; i < names.size(); ++i) {
    if (scan.skip_word(names[i])) return static_cast<int>(i) + 1;
    if (scan.skip_word(names[i].substr(0, 3))) return static_cast<int>(i) + 1;
  }
  return std::nullopt;
}

int full_year(int year, std::size_t digits) {
  if (digits > 2) return year;
  return year >= 69 ? 1900 + year : 2000 + year;
}

/// `January 5, 2026`, `Jan-05-26`; the month is already taken.
std::optional<Day> rest_after_month(Scan& scan, int month) {
  scan.skip_any_of("-/. ");
  const auto day = scan.number(1, 2);
  if (!day) return std::nullopt;
  scan.skip(',');
  scan.skip_any_of("-/. ");
  const std::size_t digits = scan.digits_ahead();
  if (digits != 2 && digits != 4) return std::nullopt;
  return Day{full_year(scan.take(digits), digits), month, *day};
}

std::optional<Day> date_of(Scan& scan, DateOrder order) {
  if (const auto month = month_name(scan)) return rest_after_month(scan, *month);
  const std::size_t first_digits = scan.digits_ahead();
  if (first_digits == 8 || first_digits == 12 || first_digits == 14) {  // the basic form, or with its time of day
    const int year = scan.take(4);
    const int month = scan.take(2);
    return order == DateOrder::year_first ? std::optional(Day{year, month, scan.take(2)}) : std::nullopt;
  }
  if (first_digits != 1 && first_digits != 2 && first_digits != 4) return std::nullopt;
  const int first = scan.take(first_digits);
  const char separator = scan.front();
  if (!scan.skip_any_of("-/. ")) return std::nullopt;
  if (const auto month = month_name(scan)) {
    scan.skip_any_of("-/. ");
    const std::size_t digits = scan.digits_ahead();
    if (first_digits > 2 || (digits != 2 && digits != 4)) return std::nullopt;
    return Day{full_year(scan.take(digits), digits), *month, first};
  }
  const std::size_t second_digits = scan.digits_ahead();
  if (separator == ' ' || second_digits < 1 || second_digits > 2) return std::nullopt;
  const int second = scan.take(second_digits);
  if (!scan.skip(separator)) return std::nullopt;
  const std::size_t third_digits = scan.digits_ahead();
  if (third_digits != 1 && third_digits != 2 && third_digits != 4) return std::nullopt;
  const int third = scan.take(third_digits);
  if (first_digits == 4) {
    if (third_digits == 4 || order != DateOrder::year_first) return std::nullopt;
    return Day{first, second, third};
  }
  if (order == DateOrder::year_first) {
    if (third_digits == 4 || first_digits != 2 || separator == '.') return std::nullopt;
    return Day{full_year(first, 2), second, third};
  }
  if (third_digits == 1) return std::nullopt;
  // Points are written by those who put the day first, and by nobody else.
  if (order == DateOrder::month_first && separator == '.') return std::nullopt;
  const int year = full_year(third, third_digits);
  return order == DateOrder::day_first ? Day{year, second, first} : Day{year, first, second};
}

/// Hours of a 12-hour clock to those of a day; 12 comes before 1.
bool to_24_hours(Scan& scan, int& hour) {
  scan.skip_blanks();
  const char c = small(scan.front());
  if (c != 'a' && c != 'p') return true;
  const bool afternoon = c == 'p';
  const std::string_view before = scan.rest();
  if (!scan.skip_word(afternoon ? "pm" : "am") && !scan.skip_word(afternoon ? "p.m." : "a.m.")) return before.empty();
  if (hour < 1 || hour > 12) return false;
  hour = hour % 12 + (afternoon ? 12 : 0);
  return true;
}

/// Microseconds of the day; nullopt where it is none.
std::optional<std::int64_t> clock_of(Scan& scan) {
  int hour = 0;
  int minute = 0;
  int second = 0;
  std::int64_t us = 0;
  const std::size_t digits = scan.digits_ahead();
  if (digits == 4 || digits == 6) {  // the basic form
    hour = scan.take(2);
    minute = scan.take(2);
    if (digits == 6) second = scan.take(2);
  } else {
    const auto hours = scan.number(1, 2);
    const char separator = scan.front();
    if (!hours || !scan.skip_any_of(":.")) return std::nullopt;
    const auto minutes = scan.number(2, 2);
    if (!minutes) return std::nullopt;
    hour = *hours;
    minute = *minutes;
    const bool goes_on = scan.skip(separator);
    if (!goes_on && separator == '.') return std::nullopt;  // 21.50 is a number
    if (goes_on) {
      const auto seconds = scan.number(2, 2);
      if (!seconds) return std::nullopt;
      second = *seconds;
    }
  }
  if (scan.skip_any_of(".,")) {
    const auto fraction = scan.fraction_us();
    if (!fraction) return std::nullopt;
    us = *fraction;
  }
  if (!to_24_hours(scan, hour)) return std::nullopt;
  if (hour > 23 || minute > 59 || second > 59) return std::nullopt;
  return ((hour * 60 + minute) * 60 + second) * us_per_s + us;
}

/// `Z`, `UTC`, `+01`, `+0100`, `+01:00`; in seconds.
std::optional<std::int64_t> offset_of(Scan& scan) {
  if (scan.skip_word("utc") || scan.skip_word("gmt") || scan.skip_word("z"))
    if (scan.done()) return 0;
  const bool west = scan.front() == '-';
  if (!scan.skip_any_of("+-")) return std::nullopt;
  const std::size_t digits = scan.digits_ahead();
  if (digits != 2 && digits != 4) return std::nullopt;
  const int hours = scan.take(2);
  int minutes = 0;
  if (digits == 4)
    minutes = scan.take(2);
  else if (scan.skip(':')) {
    const auto read = scan.number(2, 2);
    if (!read) return std::nullopt;
    minutes = *read;
  }
  if (hours > 23 || minutes > 59) return std::nullopt;
  const std::int64_t seconds = hours * 3'600 + minutes * 60;
  return west ? -seconds : seconds;
}

struct Split {
  std::string_view whole, fraction;
};
std::optional<Split> split_number(std::string_view cell) {
  const std::size_t point = std::min(cell.find_first_of(".,"), cell.size());
  Split split{cell.substr(0, point), point < cell.size() ? cell.substr(point + 1) : std::string_view{}};
  const auto all_digits = [](std::string_view text) { return std::all_of(text.begin(), text.end(), is_digit); };
  // Nanoseconds since 1970 have 19 digits since 2001.
  constexpr std::string_view largest = "9223372036854775807";  // of 64 bits
  if (split.whole.size() > largest.size() || (split.whole.size() == largest.size() && split.whole > largest))
    return std::nullopt;
  if (split.whole.empty() || !all_digits(split.whole) || !all_digits(split.fraction)) return std::nullopt;
  return split;
}

std::optional<std::int64_t> number_us(std::string_view cell, double us_per_unit) {
  const auto split = split_number(cell);
  if (!split) return std::nullopt;
  std::int64_t whole = 0;
  for (const char c : split->whole) whole = whole * 10 + (c - '0');
  Scan digits(split->fraction);
  if (us_per_unit == 1e6) {
    if (whole > 99'999'999'999) return std::nullopt;  // far past the latest time that is taken
    return whole * us_per_s + (split->fraction.empty() ? 0 : digits.fraction_us().value_or(0));
  }
  double fraction = 0.0;
  double place = 0.1;
  for (const char c : split->fraction) {
    fraction += place * (c - '0');
    place *= 0.1;
  }
  if (us_per_unit < 1.0)
    return std::llround((static_cast<double>(whole % 1'000'000'000) + fraction) * us_per_unit) +
           whole / 1'000'000'000 * std::llround(1e9 * us_per_unit);
  if (static_cast<double>(whole) * us_per_unit > 9e18) return std::nullopt;
  return whole * std::llround(us_per_unit) + std::llround(fraction * us_per_unit);
}

std::optional<std::int64_t> elapsed_us(std::string_view cell) {
  Scan scan(cell);
  const auto hours = scan.number(1, 6);
  if (!hours || !scan.skip(':')) return std::nullopt;
  const auto minutes = scan.number(2, 2);
  if (!minutes || *minutes > 59 || !scan.skip(':')) return std::nullopt;
  const auto seconds = scan.number(2, 2);
  if (!seconds || *seconds > 59) return std::nullopt;
  std::int64_t us = 0;
  if (scan.skip_any_of(".,")) us = scan.fraction_us().value_or(0);
  if (!scan.done()) return std::nullopt;
  return ((std::int64_t{*hours} * 60 + *minutes) * 60 + *seconds) * us_per_s + us;
}

std::string letters_of(std::string_view word) {
  std::string letters;
  for (const char c : word) letters += small(c);
  return letters;
}

/// In which order a pattern names day, month and year. `%M` is the minute, `%m` and `%b` the month; without per cents
/// the first m is the month.
std::optional<DateOrder> order_in(std::string_view pattern) {
  const bool per_cents = pattern.find('%') != std::string_view::npos;
  std::string order;
  for (std::size_t i = 0; i < pattern.size(); ++i) {
    if (per_cents && pattern[i] != '%') continue;
    if (per_cents && ++i == pattern.size()) break;
    char part = pattern[i];
    if (per_cents && (part == 'b' || part == 'B' || part == 'h')) part = 'm';
    if (per_cents && part == 'F') return DateOrder::year_first;
    if (per_cents && part == 'D') return DateOrder::month_first;
    if (per_cents && part != 'd' && part != 'e' && part != 'm' && part != 'y' && part != 'Y') continue;
    part = part == 'e' ? 'd' : small(part);
    if ((part == 'd' || part == 'm' || part == 'y') && order.find(part) == std::string::npos) order += part;
  }
  if (order == "ymd") return DateOrder::year_first;
  if (order == "dmy") return DateOrder::day_first;
  if (order == "mdy") return DateOrder::month_first;
  return std::nullopt;
}

/// `Fri` and `Friday,`.
void skip_weekday(Scan& scan) {
  constexpr std::array<std::string_view, 7> names = {"monday", "tuesday",  "wednesday", "thursday",
                                                     "friday", "saturday", "sunday"};
  for (const std::string_view name : names)
    if (scan.skip_word(name) || scan.skip_word(name.substr(0, 3))) {
      scan.skip(',');
      scan.skip_blanks();
      return;
    }
}

/// `Feb 13 22:15:07 2026`, as the C library writes it behind the day of the week; nothing is taken where it is not.
std::optional<CellTime> read_ctime(Scan scan) {
  const auto month = month_name(scan);
  if (!month || !scan.skip(' ')) return std::nullopt;
  scan.skip_blanks();
  const auto day = scan.number(1, 2);
  if (!day || !scan.skip(' ')) return std::nullopt;
  const auto clock = clock_of(scan);
  scan.skip_blanks();
  const auto year = scan.number(4, 4);
  const Day date{year.value_or(0), *month, *day};
  if (!clock || !year || !scan.done() || !in_calendar(date)) return std::nullopt;
  return CellTime{day_number(date) * s_per_day * us_per_s + *clock, true};
}

}  // namespace

std::optional<CellTime> read_civil(std::string_view cell, DateOrder order) {
  Scan scan(cell);
  skip_weekday(scan);
  const bool together = scan.digits_ahead() == 14 || scan.digits_ahead() == 12;
  if (const auto ctime = read_ctime(scan)) return ctime;
  const auto day = date_of(scan, order);
  if (!day || !in_calendar(*day)) return std::nullopt;
  const std::int64_t midnight = day_number(*day) * s_per_day * us_per_s;
  if (scan.done()) return CellTime{midnight, true};
  if (!together) {
    scan.skip(',');
    if (!scan.skip('T') && !scan.skip('t') && !scan.skip('_') && !scan.skip(' ')) return std::nullopt;
    scan.skip_blanks();
  }
  const auto clock = clock_of(scan);
  if (!clock) return std::nullopt;
  scan.skip_blanks();
  if (scan.done()) return CellTime{midnight + *clock, true};
  const auto offset = offset_of(scan);
  if (!offset || !scan.done()) return std::nullopt;
  return CellTime{midnight + *clock - *offset * us_per_s, false};
}

bool is_time_of_day(std::string_view cell) {
  Scan scan(cell);
  if (scan.digits_ahead() > 2 || !clock_of(scan)) return false;
  return scan.done();
}

bool is_date_alone(std::string_view cell) {
  for (const DateOrder order : {DateOrder::year_first, DateOrder::day_first, DateOrder::month_first}) {
    Scan scan(cell);
    if (scan.digits_ahead() == 14 || scan.digits_ahead() == 12) return false;
    const auto day = date_of(scan, order);
    if (day && in_calendar(*day) && scan.done()) return true;
  }
  return false;
}

std::optional<double> time_number(std::string_view cell) {
  const auto split = split_number(cell);
  if (!split) return std::nullopt;
  double value = 0.0;
  for (const char c : split->whole) value = value * 10.0 + (c - '0');
  double place = 0.1;
  for (const char c : split->fraction) {
    value += place * (c - '0');
    place *= 0.1;
  }
  return value;
}

std::optional<CellTime> read_time(std::string_view cell, const TimeForm& form) {
  constexpr double us_per_day = 86'400e6;
  switch (form.kind) {
    case TimeKind::number:
      if (const auto us = number_us(cell, form.us_per_unit)) return CellTime{*us, false};
      if (form.us_per_unit != 1e6 || cell.size() < 10 || cell[4] != '-') return std::nullopt;
      return read_civil(cell, DateOrder::year_first);
    case TimeKind::serial_1900:
    case TimeKind::serial_1904:
      if (const auto us = number_us(cell, us_per_day)) {
        const std::int64_t days = form.kind == TimeKind::serial_1900 ? serial_1900_days : serial_1904_days;
        return CellTime{*us - days * s_per_day * us_per_s, true};
      }
      return std::nullopt;
    case TimeKind::elapsed:
      if (const auto us = elapsed_us(cell)) return CellTime{*us, false};
      return std::nullopt;
    case TimeKind::civil:
      break;
  }
  if (const auto civil = read_civil(cell, form.order)) return civil;
  if (form.order != DateOrder::year_first) return std::nullopt;
  constexpr std::size_t unix_digits = 9;  // since 1973; fewer are no time of a file that writes dates
  if (const auto split = split_number(cell); !split || split->whole.size() < unix_digits) return std::nullopt;
  const auto us = number_us(cell, 1e6);
  return us ? std::optional(CellTime{*us, false}) : std::nullopt;
}

Result<TimeForm> time_form_from(std::string_view word) {
  const std::string letters = letters_of(word);
  constexpr auto civil = [](DateOrder order) { return TimeForm{TimeKind::civil, order, 1e6}; };
  const auto number = [](double us) { return TimeForm{TimeKind::number, DateOrder::year_first, us}; };
  if (letters == "unix" || letters == "unix-s" || letters == "seconds" || word == "%s") return number(1e6);
  if (letters == "unix-ms") return number(1e3);
  if (letters == "unix-us") return number(1.0);
  if (letters == "unix-ns") return number(1e-3);
  if (letters == "serial" || letters == "serial-1900") return TimeForm{TimeKind::serial_1900, {}, 1e6};
  if (letters == "serial-1904") return TimeForm{TimeKind::serial_1904, {}, 1e6};
  if (letters == "elapsed") return TimeForm{TimeKind::elapsed, {}, 1e6};
  if (letters == "iso" || letters.rfind("year", 0) == 0) return civil(DateOrder::year_first);
  if (letters.rfind("day", 0) == 0) return civil(DateOrder::day_first);
  if (letters.rfind("month", 0) == 0) return civil(DateOrder::month_first);
  if (const auto order = order_in(word)) return civil(*order);
  return fail(ErrorKind::input, "--date-format: " + text::quoted(word) +
                                    " is none; write dmy, mdy or ymd, a pattern such as DD/MM/YYYY or %d/%m/%Y, unix, "
                                    "unix-ms, serial, serial-1904 or elapsed");
}

std::string time_form_text(const TimeForm& form) {
  switch (form.kind) {
    case TimeKind::number:
      if (form.us_per_unit == 1e6) return "seconds";
      if (form.us_per_unit == 1e3) return "milliseconds";
      if (form.us_per_unit == 1.0) return "microseconds";
      if (form.us_per_unit < 1.0) return "nanoseconds";
      return form.us_per_unit == 60e6 ? "minutes" : "hours";
    case TimeKind::serial_1900:
      return "serial dates from 1900";
    case TimeKind::serial_1904:
      return "serial dates from 1904";
    case TimeKind::elapsed:
      return "hours, minutes and seconds from 0";
    case TimeKind::civil:
      break;
  }
  if (form.order == DateOrder::day_first) return "day first";
  return form.order == DateOrder::month_first ? "month first" : "year first";
}

}  // namespace nightwatt::csv
