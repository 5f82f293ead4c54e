#include "measure/signal/spoken_time.hpp"

#include <array>
#include <cmath>
#include <cstdint>
#include <optional>
#include <string>

#include "measure/signal/time_text.hpp"

namespace nightwatt {
namespace {

constexpr std::int64_t us_per_s = 1'000'000;
constexpr std::size_t date_length = 10;
constexpr std::int64_t day_s = 86'400;

std::string lower_words(std::string_view text) {
  std::string result;
  for (const char c : text) {
    const bool blank = c == ' ' || c == '\t';
    if (blank && (result.empty() || result.back() == ' ')) continue;
    result += blank ? ' ' : c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
  }
  while (!result.empty() && result.back() == ' ') result.pop_back();
  return result;
}

bool is_digit(char c) {
  return c >= '0' && c <= '9';
}

/// `21:15` or `9:15:30`, as parse_time() wants it behind a date.
std::optional<std::string> clock_of(std::string_view text) {
  std::string clock(text);
  if (clock.size() > 1 && clock[1] == ':') clock.insert(0, 1, '0');
  if (clock.size() != 5 && clock.size() != 8) return std::nullopt;
  for (std::size_t i = 0; i < clock.size(); ++i)
    if (i % 3 == 2 ? clock[i] != ':' : !is_digit(clock[i])) return std::nullopt;
  return clock;
}

std::string date_of(UtcTime time) {
  return local_text(time).substr(0, date_length);
}

std::string date_before(UtcTime now) {
  // From noon on, since a day may be an hour longer or shorter.
  const auto noon = parse_time(date_of(now) + " 12:00");
  return date_of(UtcTime{(noon ? noon->us : now.us) - day_s * us_per_s});
}

/// The last time the clock showed this.
Result<UtcTime> last_time_of(const std::string& clock, UtcTime now) {
  const auto today = parse_time(date_of(now) + " " + clock);
  if (!today || *today <= now) return today;
  return parse_time(date_before(now) + " " + clock);
}

std::optional<double> unit_s(std::string_view word) {
  struct Unit {
    std::string_view word;
    double seconds;
  };
  constexpr std::array units = {
      Unit{"s", 1.0},        Unit{"sec", 1.0},       Unit{"second", 1.0},     Unit{"seconds", 1.0},
      Unit{"m", 60.0},       Unit{"min", 60.0},      Unit{"minute", 60.0},    Unit{"minutes", 60.0},
      Unit{"h", 3'600.0},    Unit{"hour", 3'600.0},  Unit{"hours", 3'600.0},  Unit{"d", 86'400.0},
      Unit{"day", 86'400.0}, Unit{"days", 86'400.0}, Unit{"week", 604'800.0}, Unit{"weeks", 604'800.0}};
  for (const Unit& unit : units)
    if (unit.word == word) return unit.seconds;
  return std::nullopt;
}

/// `2 h`, `2h`, `1 h 30 min`: seconds.
std::optional<double> length_of(std::string_view text) {
  double sum = 0.0;
  bool any = false;
  while (!text.empty()) {
    double number = 0.0;
    double place = 0.0;
    std::size_t at = 0;
    for (; at < text.size() && (is_digit(text[at]) || (text[at] == '.' && place == 0.0)); ++at) {
      if (text[at] == '.')
        place = 1.0;
      else if (place > 0.0)
        number += (place *= 0.1) * (text[at] - '0');
      else
        number = number * 10.0 + (text[at] - '0');
    }
    if (at == 0 || at > 12) return std::nullopt;
    text.remove_prefix(at);
    if (!text.empty() && text.front() == ' ') text.remove_prefix(1);
    std::size_t letters = 0;
    while (letters < text.size() && text[letters] >= 'a' && text[letters] <= 'z') ++letters;
    const auto unit = unit_s(text.substr(0, letters));
    if (!unit) return std::nullopt;
    sum += number * *unit;
    any = true;
    text.remove_prefix(letters);
    if (!text.empty() && text.front() == ' ') text.remove_prefix(1);
  }
  return any ? std::optional(sum) : std::nullopt;
}

}  // namespace

Result<UtcTime> parse_spoken_time(std::string_view text, UtcTime now) {
  const std::string words = lower_words(text);
  if (words == "now") return now;
  if (const auto clock = clock_of(words)) return last_time_of(*clock, now);
  for (const std::string_view day : {"today", "yesterday"}) {
    if (words.substr(0, day.size()) != day) continue;
    const std::string date = day == "today" ? date_of(now) : date_before(now);
    if (words.size() == day.size()) return parse_time(date);
    const auto clock = words[day.size()] == ' ' ? clock_of(words.substr(day.size() + 1)) : std::nullopt;
    if (clock) return parse_time(date + " " + *clock);
  }
  constexpr std::string_view ago = " ago";
  if (words.size() > ago.size() && words.substr(words.size() - ago.size()) == ago) {
    const auto seconds = length_of(std::string_view(words).substr(0, words.size() - ago.size()));
    if (seconds && *seconds < static_cast<double>(now.us) / 1e6) return UtcTime{now.us - std::llround(*seconds * 1e6)};
  }
  return parse_time(text);
}

}  // namespace nightwatt
