#include "daemon/kept_clock.hpp"

#include <algorithm>
#include <array>
#include <charconv>

namespace nightwatt::daemon {
namespace {

constexpr std::string_view version = "1";
constexpr std::string_view no_boot = "-";

}  // namespace

std::string encode(const KeptClock& clock) {
  std::string text(version);
  text.append(" ").append(clock.boot.empty() ? no_boot : std::string_view(clock.boot));
  for (const std::int64_t us :
       {std::int64_t{clock.offset.count()}, clock.since.us, std::int64_t{clock.utc_offset.count()}})
    text.append(" ").append(std::to_string(us));
  return text;
}

std::optional<KeptClock> decode_kept_clock(std::string_view text) {
  const auto word = [&] {
    const std::string_view found = text.substr(0, text.find(' '));
    text.remove_prefix(std::min(found.size() + 1, text.size()));
    return found;
  };
  if (word() != version) return std::nullopt;
  KeptClock clock;
  if (const std::string_view boot = word(); boot != no_boot) clock.boot = boot;
  std::array<std::int64_t, 3> numbers{};
  for (std::int64_t& number : numbers) {
    const std::string_view digits = word();
    const auto [end, error] = std::from_chars(digits.data(), digits.data() + digits.size(), number);
    if (error != std::errc{} || end != digits.data() + digits.size()) return std::nullopt;
  }
  if (!text.empty()) return std::nullopt;
  clock.offset = Duration(numbers[0]);
  clock.since = UtcTime{numbers[1]};
  clock.utc_offset = Duration(numbers[2]);
  return clock;
}

}  // namespace nightwatt::daemon
