#include "scpi/number.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>

namespace nightwatt::drivers::scpi {

namespace {

/// SCPI-99 volume 1, 7.2.1. Instruments round it, so that anything as large is no value of a meter.
constexpr double infinity = 9.9e37;
constexpr double not_a_number = 9.91e37;
constexpr double rounding = 0.005e37;

std::string_view trimmed(std::string_view text) {
  const auto is_blank = [](char c) { return c == ' ' || c == '\t'; };
  while (!text.empty() && is_blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && is_blank(text.back())) text.remove_suffix(1);
  return text;
}

bool same_word(std::string_view text, std::string_view word) {
  return std::equal(text.begin(), text.end(), word.begin(), word.end(),
                    [](char a, char b) { return (a >= 'a' && a <= 'z' ? a - 'a' + 'A' : a) == b; });
}

bool is_letter(char c) {
  return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
}

}  // namespace

Number read_number(std::string_view text) {
  text = trimmed(text);
  std::string_view bare = text;
  if (!bare.empty() && (bare[0] == '+' || bare[0] == '-')) bare.remove_prefix(1);
  if (same_word(bare, "NAN")) return {NumberState::none, {}};
  for (const std::string_view word : {"INF", "NINF", "INFINITY", "NINFINITY"})
    if (same_word(bare, word)) return {NumberState::beyond, {}};

  if (!text.empty() && text[0] == '+') text.remove_prefix(1);
  double value = 0.0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (end == text.data() || (error != std::errc{} && error != std::errc::result_out_of_range)) return {};
  const std::string_view digits = text.substr(0, static_cast<std::size_t>(end - text.data()));
  const std::string_view unit = trimmed(text.substr(digits.size()));
  constexpr std::size_t unit_limit = 4;
  if (unit.size() > unit_limit || !std::all_of(unit.begin(), unit.end(), is_letter)) return {};
  // "1.5E" is the beginning of a number, not 1.5 of a unit E.
  if (!unit.empty() && (unit[0] == 'E' || unit[0] == 'e')) return {};
  if (error != std::errc{}) return {NumberState::beyond, {}};
  if (std::abs(std::abs(value) - not_a_number) <= rounding) return {NumberState::none, {}};
  if (std::abs(value) >= infinity - rounding) return {NumberState::beyond, {}};
  const std::optional<Decimal> exact = Decimal::parse(digits);
  if (!exact) return {NumberState::beyond, {}};
  return {NumberState::number, *exact};
}

bool read_error(std::string_view line, int& number, std::string_view& text) {
  line = trimmed(line);
  if (!line.empty() && line[0] == '+') line.remove_prefix(1);
  const auto [end, error] = std::from_chars(line.data(), line.data() + line.size(), number);
  if (error != std::errc{}) return false;
  line.remove_prefix(static_cast<std::size_t>(end - line.data()));
  line = trimmed(line);
  if (line.empty() || line[0] != ',') return false;
  line = trimmed(line.substr(1));
  if (line.size() < 2 || line.front() != '"' || line.back() != '"') return false;
  text = line.substr(1, line.size() - 2);
  return true;
}

bool begins_as_error(std::string_view line) {
  const std::size_t comma = line.find(',');
  if (comma == 0 || comma == std::string_view::npos) return false;
  const std::string_view rest = trimmed(line.substr(comma + 1));
  return !rest.empty() && rest.front() == '"' &&
         line.substr(0, comma).find_first_not_of("+-0123456789 ") == std::string_view::npos;
}

}  // namespace nightwatt::drivers::scpi
