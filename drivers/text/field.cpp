#include "text/field.hpp"

#include <algorithm>
#include <array>
#include <cstddef>

namespace nightwatt::drivers::text {

namespace {

/// The longest unit taken behind a number; what is longer is another word.
constexpr std::size_t unit_limit = 8;

/// A number with a decimal comma is copied to be read; no meter writes one this long.
constexpr std::size_t number_limit = 48;

bool is_digit(char c) {
  return c >= '0' && c <= '9';
}
bool is_letter(char c) {
  return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
}
bool is_high(char c) {
  return static_cast<unsigned char>(c) >= 0x80;
}
char lower(char c) {
  return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
}

bool equals_ignoring_case(std::string_view a, std::string_view b) {
  return a.size() == b.size() &&
         std::equal(a.begin(), a.end(), b.begin(), [](char x, char y) { return lower(x) == lower(y); });
}

std::size_t digits_from(std::string_view text, std::size_t at) {
  std::size_t end = at;
  while (end < text.size() && is_digit(text[end])) ++end;
  return end - at;
}

/// Length of the number at the beginning of the text; 0 if there is none. Sets `comma` where its point is a comma.
std::size_t number_length(std::string_view text, bool decimal_comma, bool& comma) {
  std::size_t at = !text.empty() && (text[0] == '+' || text[0] == '-') ? 1 : 0;
  const std::size_t whole = digits_from(text, at);
  at += whole;
  std::size_t fraction = 0;
  if (at < text.size() && (text[at] == '.' || (decimal_comma && text[at] == ','))) {
    fraction = digits_from(text, at + 1);
    if (whole + fraction == 0) return 0;
    comma = text[at] == ',';
    at += 1 + fraction;
  }
  if (whole + fraction == 0) return 0;
  if (at < text.size() && (text[at] == 'e' || text[at] == 'E')) {
    std::size_t exponent = at + 1;
    if (exponent < text.size() && (text[exponent] == '+' || text[exponent] == '-')) ++exponent;
    const std::size_t digits = digits_from(text, exponent);
    if (digits > 0) at = exponent + digits;
  }
  return at;
}

bool says_no_value(std::string_view text) {
  if (text.empty()) return true;
  if (text.find_first_not_of('-') == std::string_view::npos) return true;
  if (text[0] == '+' || text[0] == '-') text.remove_prefix(1);
  constexpr std::array<std::string_view, 9> spellings = {"nan",  "inf", "infinity", "ovf", "ol",
                                                         "null", "n/a", "na",       "none"};
  return std::any_of(spellings.begin(), spellings.end(),
                     [&](std::string_view spelling) { return equals_ignoring_case(text, spelling); });
}

bool looks_like_unit(std::string_view text) {
  if (text.size() > unit_limit) return false;
  // "1.5e" is the beginning of a number, not 1.5 of a unit e.
  if (text[0] == 'e' || text[0] == 'E') return false;
  return std::all_of(text.begin(), text.end(), [](char c) { return is_letter(c) || is_high(c) || c == '%'; });
}

std::optional<Decimal> parse(std::string_view number, bool comma) {
  if (!comma) return Decimal::parse(number);
  std::array<char, number_limit> copy;
  if (number.size() > copy.size()) return std::nullopt;
  const auto end = std::replace_copy(number.begin(), number.end(), copy.begin(), ',', '.');
  return Decimal::parse(std::string_view(copy.data(), static_cast<std::size_t>(end - copy.begin())));
}

struct BaseUnit {
  std::string_view text;
  Quantity quantity;
};
constexpr std::array<BaseUnit, 7> base_units = {{{"W", Quantity::power},
                                                 {"V", Quantity::voltage},
                                                 {"A", Quantity::current},
                                                 {"Hz", Quantity::frequency},
                                                 {"Wh", Quantity::energy},
                                                 {"VA", Quantity::apparent},
                                                 {"var", Quantity::reactive}}};

std::optional<Quantity> base_quantity(std::string_view unit) {
  for (const BaseUnit& base : base_units)
    if (equals_ignoring_case(unit, base.text)) return base.quantity;
  return std::nullopt;
}

/// Takes a decimal prefix off the unit.
std::optional<Decimal> take_prefix(std::string_view& unit) {
  const auto take = [&](std::size_t length, int exponent) {
    unit.remove_prefix(length);
    return Decimal{1, static_cast<std::int8_t>(exponent)};
  };
  if (unit.starts_with("\xC2\xB5") || unit.starts_with("\xCE\xBC")) return take(2, -6);  // the two micro signs of UTF-8
  switch (unit.empty() ? '\0' : unit[0]) {
    case '\xB5':
    case 'u':
      return take(1, -6);
    case 'm':
      return take(1, -3);
    case 'k':
    case 'K':
      return take(1, 3);
    case 'M':
      return take(1, 6);
    case 'G':
      return take(1, 9);
    default:
      return std::nullopt;
  }
}

UnitMeaning judge(Quantity written, Quantity wanted, const Decimal& factor) {
  if (wanted == Quantity::energy_export) wanted = Quantity::energy;
  if (written != wanted) return {UnitFit::foreign, {1, 0}};
  return {UnitFit::known, factor};
}

/// Length of the UTF-8 character that begins here; 0 where none does.
std::size_t utf8_length(std::string_view text) {
  const auto lead = static_cast<unsigned char>(text[0]);
  const std::size_t length = lead >= 0xC2 && lead < 0xE0   ? 2
                             : lead >= 0xE0 && lead < 0xF0 ? 3
                             : lead >= 0xF0 && lead < 0xF5 ? 4
                                                           : 0;
  if (length == 0 || text.size() < length) return 0;
  for (const char c : text.substr(1, length - 1))
    if ((static_cast<unsigned char>(c) & 0xC0U) != 0x80U) return 0;
  return length;
}

}  // namespace

std::string_view trimmed(std::string_view text) {
  const auto blank = [](char c) { return c == ' ' || c == '\t'; };
  while (!text.empty() && blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && blank(text.back())) text.remove_suffix(1);
  return text;
}

bool begins_number(std::string_view text, bool decimal_comma) {
  if (!text.empty() && (text[0] == '+' || text[0] == '-')) text.remove_prefix(1);
  if (text.empty()) return false;
  if (is_digit(text[0])) return true;
  return (text[0] == '.' || (decimal_comma && text[0] == ',')) && digits_from(text, 1) > 0;
}

Field read_field(std::string_view text, bool decimal_comma) {
  text = trimmed(text);
  bool comma = false;
  const std::size_t length = number_length(text, decimal_comma, comma);
  if (length == 0) return {says_no_value(text) ? FieldState::none : FieldState::word, {}, {}};
  const std::string_view unit = trimmed(text.substr(length));
  if (!unit.empty() && !looks_like_unit(unit)) return {FieldState::damaged, {}, {}};
  const std::optional<Decimal> value = parse(text.substr(0, length), comma);
  if (!value) return {FieldState::range, {}, unit};
  return {FieldState::number, *value, unit};
}

UnitMeaning unit_meaning(std::string_view unit, Quantity quantity) {
  if (unit == "%" && quantity == Quantity::power_factor) return {UnitFit::known, {1, -2}};
  if (const std::optional<Quantity> written = base_quantity(unit)) return judge(*written, quantity, {1, 0});
  const std::optional<Decimal> factor = take_prefix(unit);
  if (!factor) return {};
  const std::optional<Quantity> written = base_quantity(unit);
  return written ? judge(*written, quantity, *factor) : UnitMeaning{};
}

bool is_printable(std::string_view line) {
  // Nearly every line is plain ASCII: one pass without branches tells.
  unsigned others = 0;
  for (const char c : line) others += static_cast<unsigned>(static_cast<unsigned char>(c) - 0x20U > 0x7EU - 0x20U);
  if (others == 0) return true;
  while (!line.empty()) {
    const auto c = static_cast<unsigned char>(line[0]);
    std::size_t length = 1;
    if (c >= 0x80) {
      length = utf8_length(line);
      if (length == 0 && c != 0xB0 && c != 0xB5) return false;
      length = std::max<std::size_t>(length, 1);
    } else if ((c < 0x20 && c != '\t') || c == 0x7F) {
      return false;
    }
    line.remove_prefix(length);
  }
  return true;
}

}  // namespace nightwatt::drivers::text
