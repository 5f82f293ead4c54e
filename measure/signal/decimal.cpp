#include "measure/signal/decimal.hpp"

#include <array>
#include <charconv>
#include <cmath>
#include <cstddef>
#include <limits>

#include "measure/signal/decimal_powers.hpp"

#ifndef __SIZEOF_INT128__  // a machine of 32 bits
#include <boost/multiprecision/cpp_int.hpp>
#endif

namespace nightwatt {

namespace {

#ifdef __SIZEOF_INT128__
__extension__ using Wide = __int128;
#else
using Wide = boost::multiprecision::int128_t;
#endif

/// 9e9 in counts of 10^-9: no mantissa at the lowest exponent reaches it.
constexpr std::int64_t limit_at_lowest = 9'000'000'000'000'000'000;

/// No reading has an exponent of more digits; beyond it the value is out of range or zero whatever its mantissa.
constexpr int exponent_text_limit = 9999;

Wide wide_power_of_ten(int power) {
  return power <= 18 ? Wide{integer_powers_of_ten[static_cast<std::size_t>(power)]}
                     : Wide{integer_powers_of_ten[18]} * integer_powers_of_ten[static_cast<std::size_t>(power - 18)];
}

/// magnitude / 10^digits, half to even; `sticky`: something non-zero was cut off below `magnitude` already.
Wide round_off(Wide magnitude, int digits, bool sticky) {
  if (digits > 36) return 0;  // below half a count of any mantissa we take
  const Wide divisor = wide_power_of_ten(digits);
  const Wide quotient = magnitude / divisor;
  const Wide twice_rest = (magnitude % divisor) * 2;
  const bool up = twice_rest > divisor || (twice_rest == divisor && (sticky || (quotient & 1) != 0));
  return quotient + (up ? 1 : 0);
}

/// Brings a magnitude and exponent into the range of a Decimal.
std::optional<Decimal> make(bool negative, Wide magnitude, int exponent, bool sticky = false) {
  if (magnitude == 0 && !sticky) {
    const int kept = exponent < Decimal::lowest_exponent    ? Decimal::lowest_exponent
                     : exponent > Decimal::highest_exponent ? Decimal::highest_exponent
                                                            : exponent;
    return Decimal{0, static_cast<std::int8_t>(kept)};
  }
  if (exponent < Decimal::lowest_exponent) {
    magnitude = round_off(magnitude, Decimal::lowest_exponent - exponent, sticky);
    exponent = Decimal::lowest_exponent;
  }
  if (exponent > Decimal::highest_exponent) return std::nullopt;  // at least 10^10
  if (magnitude > std::numeric_limits<std::int64_t>::max()) return std::nullopt;
  if (magnitude * wide_power_of_ten(exponent - Decimal::lowest_exponent) >= limit_at_lowest) return std::nullopt;
  const auto mantissa = static_cast<std::int64_t>(magnitude);
  return Decimal{negative ? -mantissa : mantissa, static_cast<std::int8_t>(exponent)};
}

bool is_digit(char c) {
  return c >= '0' && c <= '9';
}

/// The digits of a number as an integer, with the count of those that did not fit.
struct Digits {
  std::uint64_t magnitude = 0;
  int kept = 0;         ///< significant digits in `magnitude`
  int dropped = 0;      ///< digits after them
  bool sticky = false;  ///< a dropped digit was not zero
  int after_point = 0;
  bool any = false;

  void take(char c) {
    any = true;
    const auto digit = static_cast<std::uint64_t>(c - '0');
    // 19 digits fit 64 bits unsigned; leading zeros do not count.
    if (kept < 19) {
      magnitude = magnitude * 10 + digit;
      if (magnitude != 0) ++kept;
    } else {
      ++dropped;
      sticky = sticky || digit != 0;
    }
  }
};

/// Reads `e+02`; the whole of [at, end). nullopt if it is not an exponent.
std::optional<int> parse_exponent(const char* at, const char* end) {
  ++at;  // the letter
  bool negative = false;
  if (at != end && (*at == '+' || *at == '-')) negative = *at++ == '-';
  if (at == end) return std::nullopt;
  int exponent = 0;
  for (; at != end; ++at) {
    if (!is_digit(*at)) return std::nullopt;
    if (exponent < exponent_text_limit) exponent = exponent * 10 + (*at - '0');
  }
  return negative ? -exponent : exponent;
}

/// The longest text a number may have: a line of nothing but digits is noise.
constexpr std::size_t number_text_limit = 400;

template <class Float>
std::optional<Decimal> from_binary(Float value) {
  if (!std::isfinite(value)) return std::nullopt;
  std::array<char, 64> text;
  const auto [end, error] = std::to_chars(text.data(), text.data() + text.size(), value, std::chars_format::scientific);
  if (error != std::errc{}) return std::nullopt;
  return Decimal::parse(std::string_view(text.data(), static_cast<std::size_t>(end - text.data())));
}

}  // namespace

double Decimal::value() const {
  const auto number = static_cast<double>(mantissa);
  // Division by an exact power rounds once; multiplication by an inexact 10^-n would round twice.
  return exponent < 0 ? number / exact_powers_of_ten[static_cast<std::size_t>(-exponent)]
                      : number * exact_powers_of_ten[static_cast<std::size_t>(exponent)];
}

bool operator==(const Decimal& a, const Decimal& b) {
  if (a.exponent == b.exponent) return a.mantissa == b.mantissa;
  const Decimal& coarse = a.exponent > b.exponent ? a : b;
  const Decimal& fine = a.exponent > b.exponent ? b : a;
  return Wide{coarse.mantissa} * wide_power_of_ten(coarse.exponent - fine.exponent) == Wide{fine.mantissa};
}

std::optional<std::int64_t> Decimal::mantissa_at(int to_exponent) const {
  const int digits = exponent - to_exponent;
  if (digits == 0) return mantissa;
  if (digits < 0) return std::nullopt;
  if (mantissa == 0) return 0;
  if (digits > 18) return std::nullopt;
  const Wide scaled = Wide{mantissa} * wide_power_of_ten(digits);
  if (scaled > std::numeric_limits<std::int64_t>::max() || scaled < std::numeric_limits<std::int64_t>::min())
    return std::nullopt;
  return static_cast<std::int64_t>(scaled);
}

std::string Decimal::text() const {
  std::array<char, 24> digits;
  const auto [end, error] = std::to_chars(digits.data(), digits.data() + digits.size(), mantissa);
  std::string text(digits.data(), end);
  if (exponent > 0 && mantissa != 0) text.append(static_cast<std::size_t>(exponent), '0');
  if (exponent < 0) {
    const std::size_t sign = mantissa < 0 ? 1 : 0;
    const auto decimals = static_cast<std::size_t>(-exponent);
    if (text.size() - sign <= decimals) text.insert(sign, decimals + 1 - (text.size() - sign), '0');
    text.insert(text.size() - decimals, 1, '.');
  }
  return text;
}

std::optional<Decimal> Decimal::parse(std::string_view text) {
  if (text.empty() || text.size() > number_text_limit) return std::nullopt;
  const char* at = text.data();
  const char* const end = at + text.size();
  bool negative = false;
  if (*at == '+' || *at == '-') negative = *at++ == '-';
  Digits digits;
  for (; at != end && is_digit(*at); ++at) digits.take(*at);
  if (at != end && *at == '.') {
    for (++at; at != end && is_digit(*at); ++at) {
      digits.take(*at);
      ++digits.after_point;
    }
  }
  if (!digits.any) return std::nullopt;
  int exponent = digits.dropped - digits.after_point;
  if (at != end) {
    if (*at != 'e' && *at != 'E') return std::nullopt;
    const std::optional<int> shift = parse_exponent(at, end);
    if (!shift) return std::nullopt;
    exponent += *shift;
  }
  const bool plain = digits.kept <= 9 && exponent >= lowest_exponent && exponent <= 0;
  if (plain) {  // nearly every reading: no wide arithmetic, below 10^9
    const auto mantissa = static_cast<std::int64_t>(digits.magnitude);
    return Decimal{negative ? -mantissa : mantissa, static_cast<std::int8_t>(exponent)};
  }
  return make(negative, Wide{digits.magnitude}, exponent, digits.sticky);
}

std::optional<Decimal> Decimal::from_float(float value) {
  return from_binary(value);
}
std::optional<Decimal> Decimal::from_double(double value) {
  return from_binary(value);
}

std::optional<Decimal> Decimal::times(const Decimal& scale) const {
  // A profile's 1.0 must not add a digit the meter never said.
  std::int64_t factor = scale.mantissa;
  int factor_exponent = scale.exponent;
  while (factor != 0 && factor % 10 == 0) {
    factor /= 10;
    ++factor_exponent;
  }
  const Wide product = Wide{mantissa} * factor;
  // Nearly every reading: below 9e9 at any exponent from the lowest to 0.
  constexpr std::int64_t plain_limit = limit_at_lowest / 1'000'000'000;
  if (product > -plain_limit && product < plain_limit && product != 0 && exponent + factor_exponent <= 0 &&
      exponent + factor_exponent >= lowest_exponent)
    return Decimal{static_cast<std::int64_t>(product), static_cast<std::int8_t>(exponent + factor_exponent)};
  const bool negative = product < 0;
  Wide magnitude = negative ? -product : product;
  int product_exponent = exponent + factor_exponent;
  while (product_exponent > highest_exponent && magnitude < limit_at_lowest && magnitude != 0) {
    magnitude *= 10;
    --product_exponent;
  }
  return make(negative, magnitude, product_exponent);
}

}  // namespace nightwatt
