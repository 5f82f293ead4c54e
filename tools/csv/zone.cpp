#include "zone.hpp"

#include <unistd.h>

#include <algorithm>
#include <cstdlib>
#include <ctime>
#include <string>

#include "csv/csv_reader.hpp"
#include "text/printable.hpp"

namespace nightwatt::csv {
namespace {

constexpr std::int64_t day_s = 86'400;
/// Two changes of a zone's clock lie further apart: the shortest known, around a month of fasting, are four weeks.
constexpr std::int64_t probe_s = 7 * day_s;
/// No offset is larger; a clock's showing is searched so far around.
constexpr std::int64_t largest_offset_s = 26 * 3'600;

std::int64_t library_offset(std::int64_t second) {
  const std::time_t time = second;
  std::tm local{};
  return localtime_r(&time, &local) == nullptr ? 0 : local.tm_gmtoff;
}

/// `+05:30`, `-0800`, `+1`, `Z`.
std::optional<std::int64_t> offset_from(std::string_view text) {
  if (text == "Z" || text == "z") return 0;
  if (text.size() < 2 || (text[0] != '+' && text[0] != '-')) return std::nullopt;
  std::string digits;
  for (const char c : text.substr(1)) {
    if (c == ':' && digits.size() <= 2) continue;
    if (c < '0' || c > '9') return std::nullopt;
    digits += c;
  }
  if (digits.size() == 1 || digits.size() == 3) digits.insert(0, 1, '0');
  if (digits.size() == 2) digits += "00";
  if (digits.size() != 4) return std::nullopt;
  const int hours = std::atoi(digits.substr(0, 2).c_str());
  const int minutes = std::atoi(digits.substr(2).c_str());
  if (hours > 23 || minutes > 59) return std::nullopt;
  const std::int64_t seconds = hours * 3'600 + minutes * 60;
  return text[0] == '-' ? -seconds : seconds;
}

/// The C library takes any name it does not know for UTC.
bool is_known(const std::string& name) {
  if (name.find("..") != std::string::npos || name.front() == '/') return false;
  const bool letters = std::all_of(name.begin(), name.end(), [](unsigned char c) {
    return std::isalnum(c) != 0 || c == '/' || c == '_' || c == '-' || c == '+';
  });
  return letters && ::access(("/usr/share/zoneinfo/" + name).c_str(), R_OK) == 0;
}

}  // namespace

Zone Zone::fixed(std::int64_t offset_s) {
  Zone zone;
  zone.parts_ = {{0, offset_s}};
  return zone;
}

Zone Zone::of_library() {
  Zone zone;
  zone.parts_ = {{-day_s, library_offset(-day_s)}};
  for (std::int64_t at = -day_s; at < time_limit.us / 1'000'000; at += probe_s) {
    const std::int64_t offset = library_offset(at + probe_s);
    if (offset == zone.parts_.back().offset_s) continue;
    std::int64_t before = at;
    std::int64_t after = at + probe_s;
    while (after - before > 1) {
      const std::int64_t middle = before + (after - before) / 2;
      (library_offset(middle) == zone.parts_.back().offset_s ? before : after) = middle;
    }
    zone.parts_.push_back({after, offset});
  }
  return zone;
}

Zone Zone::local() {
  ::tzset();
  return of_library();
}

Result<Zone> Zone::named(std::string_view name) {
  if (const auto offset = offset_from(name)) return fixed(*offset);
  const std::string word(name);
  if (word == "UTC" || word == "utc" || word == "GMT") return fixed(0);
  if (word == "local") return local();
  if (word.empty() || !is_known(word))
    return fail(ErrorKind::input,
                "--zone: " + text::quoted(name) +
                    " is no time zone of this machine; write UTC, an offset such as +01:00, or a name "
                    "such as Europe/Paris");
  const char* before = std::getenv("TZ");
  const std::string kept = before == nullptr ? std::string() : before;
  ::setenv("TZ", word.c_str(), 1);
  ::tzset();
  Zone zone = of_library();
  if (before == nullptr)
    ::unsetenv("TZ");
  else
    ::setenv("TZ", kept.c_str(), 1);
  ::tzset();
  return zone;
}

std::optional<std::int64_t> Zone::within(std::size_t part, std::int64_t shown_s) const {
  const std::int64_t instant = shown_s - parts_[part].offset_s;
  if (part > 0 && instant < parts_[part].begin_s) return std::nullopt;
  if (part + 1 < parts_.size() && instant >= parts_[part + 1].begin_s) return std::nullopt;
  return instant;
}

Zone::Instants Zone::at(std::int64_t shown_s) const {
  const auto far_inside = [&](std::size_t part) {
    const std::int64_t instant = shown_s - parts_[part].offset_s;
    return (part == 0 || instant >= parts_[part].begin_s + largest_offset_s) &&
           (part + 1 == parts_.size() || instant < parts_[part + 1].begin_s - largest_offset_s);
  };
  if (far_inside(recent_)) return {shown_s - parts_[recent_].offset_s, std::nullopt};
  const auto after = std::upper_bound(parts_.begin(), parts_.end(), shown_s,
                                      [](std::int64_t second, const Part& part) { return second < part.begin_s; });
  const std::size_t middle = after == parts_.begin() ? 0 : static_cast<std::size_t>(after - parts_.begin()) - 1;
  Instants instants;
  for (std::size_t part = middle == 0 ? 0 : middle - 1; part <= middle + 1 && part < parts_.size(); ++part) {
    const auto instant = within(part, shown_s);
    if (!instant) continue;
    recent_ = part;
    (instants.first ? instants.second : instants.first) = instant;
  }
  return instants;
}

}  // namespace nightwatt::csv
