#include "number_form.hpp"

#include <algorithm>
#include <array>
#include <charconv>

namespace nightwatt::csv {
namespace {

constexpr std::size_t longest_number = 64;  // characters; the digits of a reading are 19

bool is_digit(char c) {
  return c >= '0' && c <= '9';
}

std::string_view without_sign(std::string_view cell) {
  if (!cell.empty() && (cell.front() == '+' || cell.front() == '-')) cell.remove_prefix(1);
  return cell;
}

/// Groups of three digits behind a first one of up to three that does not begin with 0, as `sign` would divide them.
bool is_grouped_by(std::string_view whole, char sign) {
  std::size_t first = whole.find(sign);
  if (first == std::string_view::npos || first < 1 || first > 3 || whole[0] == '0') return false;
  for (std::size_t i = 0; i < whole.size(); ++i) {
    const bool sign_here = i >= first && (i - first) % 4 == 0;
    if (sign_here ? whole[i] != sign : !is_digit(whole[i])) return false;
  }
  return (whole.size() - first) % 4 == 0;
}

/// Takes the exponent off a number.
std::string_view mantissa_of(std::string_view cell) {
  return cell.substr(0, std::min(cell.find_first_of("eE"), cell.size()));
}

}  // namespace

std::string plain_signs(std::string_view cell) {
  constexpr std::string_view minus = "\xE2\x88\x92";
  // An apostrophe, a typographic one, and blanks of three widths that do not break.
  constexpr std::array<std::string_view, 5> groups = {"'", "\xE2\x80\x99", "\xC2\xA0", "\xE2\x80\xAF", "\xE2\x80\x89"};
  std::string plain;
  while (!cell.empty()) {
    if (cell.substr(0, minus.size()) == minus) {
      plain += '-';
      cell.remove_prefix(minus.size());
      continue;
    }
    const auto group = std::find_if(groups.begin(), groups.end(),
                                    [&](std::string_view sign) { return cell.substr(0, sign.size()) == sign; });
    const std::string_view behind = group == groups.end() ? std::string_view() : cell.substr(group->size());
    const bool three = behind.size() >= 3 && std::all_of(behind.begin(), behind.begin() + 3, is_digit) &&
                       (behind.size() == 3 || !is_digit(behind[3]));
    if (three && !plain.empty() && is_digit(plain.back())) {
      cell = behind;
      continue;
    }
    plain += cell.front();
    cell.remove_prefix(1);
  }
  return plain;
}

NumberLook look_of(std::string_view cell) {
  cell = without_sign(cell);
  const std::string_view digits = mantissa_of(cell);
  if (digits.empty() || digits.find_first_not_of("0123456789.,") != std::string_view::npos) return NumberLook::none;
  const std::size_t commas = static_cast<std::size_t>(std::count(digits.begin(), digits.end(), ','));
  const std::size_t points = static_cast<std::size_t>(std::count(digits.begin(), digits.end(), '.'));
  if (commas == 0 && points == 0) return NumberLook::plain;
  if (commas == 0 && points == 1) return is_grouped_by(digits, '.') ? NumberLook::point_either : NumberLook::point;
  if (commas == 0) return is_grouped_by(digits, '.') ? NumberLook::other_group : NumberLook::none;
  if (points == 0 && commas == 1) return is_grouped_by(digits, ',') ? NumberLook::either : NumberLook::comma;
  if (points == 0) return is_grouped_by(digits, ',') ? NumberLook::grouped : NumberLook::none;
  const std::size_t comma = digits.rfind(',');
  const std::size_t point = digits.rfind('.');
  if (point > comma && points == 1)
    return is_grouped_by(digits.substr(0, point), ',') ? NumberLook::grouped : NumberLook::none;
  if (comma > point && commas == 1)
    return is_grouped_by(digits.substr(0, comma), '.') ? NumberLook::other_group : NumberLook::none;
  return NumberLook::none;
}

std::string_view unit_behind(std::string_view cell) {
  std::size_t begin = cell.size();
  while (begin > 0 && ((cell[begin - 1] | 0x20) >= 'a' && (cell[begin - 1] | 0x20) <= 'z')) --begin;
  if (begin == 0 || begin == cell.size()) return {};
  return cell.substr(begin);
}

std::optional<Decimal> watts_per(std::string_view unit) {
  if (unit.empty() || (unit.back() != 'W' && unit.back() != 'w')) {
    if (unit == "watt" || unit == "watts" || unit == "Watt" || unit == "Watts") return Decimal{1, 0};
    if (unit == "milliwatt" || unit == "milliwatts") return Decimal{1, -3};
    if (unit == "kilowatt" || unit == "kilowatts") return Decimal{1, 3};
    return std::nullopt;
  }
  if (unit.size() == 1) return Decimal{1, 0};
  if (unit.size() != 2) return std::nullopt;
  if (unit[0] == 'm') return Decimal{1, -3};
  if (unit[0] == 'k' || unit[0] == 'K') return Decimal{1, 3};
  return std::nullopt;  // MW too: no device on a bench, and more often a mistaken mW
}

bool says_nothing(std::string_view cell) {
  constexpr std::array<std::string_view, 11> words = {"nan", "null", "none",        "n/a",     "na",  "-",
                                                      "--",  "---",  "unavailable", "unknown", "#n/a"};
  constexpr std::size_t longest = 11;
  if (cell.empty()) return true;
  if (cell.size() > longest) return false;
  std::array<char, longest> letters{};
  std::transform(cell.begin(), cell.end(), letters.begin(),
                 [](char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c; });
  return std::find(words.begin(), words.end(), std::string_view(letters.data(), cell.size())) != words.end();
}

std::optional<Decimal> read_number(std::string_view cell, const NumberForm& form) {
  Decimal factor = form.factor;
  if (form.says_unit) {
    const std::string_view unit = unit_behind(cell);
    if (!unit.empty()) {
      const auto of_unit = watts_per(unit);
      if (!of_unit) return std::nullopt;
      factor = *of_unit;
      cell.remove_suffix(unit.size());
      while (!cell.empty() && cell.back() == ' ') cell.remove_suffix(1);
    }
  }
  std::array<char, longest_number> digits;
  if (form.decimal != '.' || form.grouped) {
    if (cell.size() > digits.size()) return std::nullopt;
    const char group = form.decimal == '.' ? ',' : '.';
    const std::string_view number = mantissa_of(without_sign(cell));
    const std::string_view whole = number.substr(0, std::min(number.find(form.decimal), number.size()));
    const bool has_group = number.find(group) != std::string_view::npos;
    if (has_group && (!form.grouped || !is_grouped_by(whole, group))) return std::nullopt;
    std::size_t length = 0;
    for (const char c : cell)
      if (c != group) digits[length++] = c == form.decimal ? '.' : c;
    cell = std::string_view(digits.data(), length);
  }
  auto value = Decimal::parse(cell);
  if (!value)
    if (const std::string plain = plain_signs(cell); plain != cell) value = Decimal::parse(plain);
  if (!value || (factor.mantissa == 1 && factor.exponent == 0)) return value;
  return value->times(factor);
}

bool has_finer_digits(std::string_view cell, const NumberForm& form) {
  const std::size_t letter = std::min(cell.find_first_of("eE"), cell.size());
  int power = form.factor.exponent;
  if (letter < cell.size()) {
    std::string_view exponent = cell.substr(letter + 1);
    if (exponent.starts_with('+')) exponent.remove_prefix(1);
    int of_number = 0;
    std::from_chars(exponent.data(), exponent.data() + exponent.size(), of_number);
    power += of_number;
  }
  const std::string_view digits = cell.substr(0, letter);
  const std::size_t point = std::min(digits.find(form.decimal), digits.size());
  for (std::size_t i = 0; i < digits.size(); ++i) {
    if (digits[i] < '1' || digits[i] > '9') continue;
    const int behind = static_cast<int>(i) - static_cast<int>(point);  // 1: the first decimal
    if (power - behind < (behind > 0 ? Decimal::lowest_exponent : Decimal::lowest_exponent + 1)) return true;
  }
  return false;
}

}  // namespace nightwatt::csv
