#include "columns.hpp"

#include <algorithm>
#include <cmath>

namespace nightwatt::storage {

double decimal_value(std::int64_t mantissa, int exponent) {
  static constexpr std::array<double, 19> tens = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,  1e8, 1e9,
                                                  1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18};
  const auto number = static_cast<double>(mantissa);
  const auto place = static_cast<std::size_t>(exponent < 0 ? -exponent : exponent);
  if (place >= tens.size()) return number * std::pow(10.0, exponent);
  return exponent < 0 ? number / tens[place] : number * tens[place];
}

std::optional<std::int64_t> scaled(std::int64_t mantissa, int places) {
  for (; places > 0; --places)
    if (__builtin_mul_overflow(mantissa, std::int64_t{10}, &mantissa)) return std::nullopt;
  return mantissa;
}

double Columns::value(Quantity quantity, std::size_t row) const {
  const Column& c = column(quantity);
  return decimal_value(c.mantissas[row], c.exponents[row]);
}

Reading Columns::reading(std::size_t row) const {
  Reading reading;
  reading.time.us = times[row];
  for (const Quantity quantity : all_quantities) {
    if (!has(quantity, row)) continue;
    const Column& c = column(quantity);
    reading.values.set(quantity, Decimal{c.mantissas[row], c.exponents[row]});
  }
  return reading;
}

void Columns::push(const Reading& reading) {
  for (const Quantity quantity : all_quantities) {
    Column& c = column(quantity);
    const std::optional<Decimal> value = reading.values.get(quantity);
    if (!value && c.count == 0) continue;
    // A quantity that first appears here was absent before.
    c.mantissas.resize(times.size(), 0);
    c.exponents.resize(times.size(), 0);
    c.present.resize(times.size(), 0);
    c.mantissas.push_back(value ? value->mantissa : 0);
    c.exponents.push_back(value ? value->exponent : std::int8_t{0});
    c.present.push_back(value ? 1 : 0);
    if (value) ++c.count;
  }
  times.push_back(reading.time.us);
}

std::size_t Columns::lower_bound(std::int64_t time_us) const {
  return static_cast<std::size_t>(std::lower_bound(times.begin(), times.end(), time_us) - times.begin());
}

}  // namespace nightwatt::storage
