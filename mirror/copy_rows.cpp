#include "copy_rows.hpp"

#include <algorithm>
#include <array>
#include <cstdint>

namespace nightwatt::mirror {
namespace {

using namespace std::string_view_literals;

/// Highest byte first, as everything on PostgreSQL's wire.
template <class Number>
void put(std::string& out, Number number) {
  for (std::size_t byte = sizeof number; byte-- > 0;)
    out.push_back(static_cast<char>(static_cast<std::uint64_t>(number) >> (8 * byte) & 0xFFU));
}

constexpr std::array<std::uint64_t, 5> powers_of_ten = {1, 10, 100, 1'000, 10'000};
constexpr int digits_a_group = 4;  // of a numeric: base 10,000

/// As numeric_send in PostgreSQL's numeric.c sends it: groups of four digits, counted from the point, and how many
/// decimals are shown.
void put_numeric(std::string& out, const Decimal& value) {
  // So many zeros fill the lowest group, since a group begins at every fourth place from the point.
  const int zeros = ((value.exponent % digits_a_group) + digits_a_group) % digits_a_group;
  int weight = (value.exponent - zeros) / digits_a_group;  // of the lowest group that is not zero
  std::array<std::uint16_t, 6> groups{};                   // 19 digits, and the zeros
  std::size_t count = 0;
  auto left = static_cast<std::uint64_t>(value.mantissa < 0 ? -value.mantissa : value.mantissa);
  for (auto fill = static_cast<std::size_t>(zeros); left > 0; fill = 0) {
    const std::uint64_t below = powers_of_ten[static_cast<std::size_t>(digits_a_group) - fill];
    const std::uint64_t group = left % below * powers_of_ten[fill];
    left /= below;
    if (count == 0 && group == 0)
      ++weight;
    else
      groups[count++] = static_cast<std::uint16_t>(group);
  }
  constexpr std::int16_t plus = 0, minus = 0x4000;
  constexpr std::int32_t head_bytes = 8, group_bytes = 2;
  put(out, head_bytes + group_bytes * static_cast<std::int32_t>(count));
  put(out, static_cast<std::int16_t>(count));
  put(out, static_cast<std::int16_t>(count == 0 ? 0 : weight + static_cast<int>(count) - 1));
  put(out, value.mantissa < 0 ? minus : plus);
  put(out, static_cast<std::int16_t>(std::max(0, -value.exponent)));
  while (count > 0) put(out, groups[--count]);
}

}  // namespace

CopyRows::CopyRows(std::span<const Reading> readings) {
  for (const Quantity quantity : all_quantities)
    if (std::any_of(readings.begin(), readings.end(),
                    [&](const Reading& reading) { return reading.values.get(quantity).has_value(); }))
      present_.push_back(quantity);
}

std::string CopyRows::columns() const {
  std::string list = "at";
  for (const Quantity quantity : present_) list.append(", ").append(quantity_column(quantity));
  return list;
}

std::string_view CopyRows::header() {
  return "PGCOPY\n\377\r\n\0\0\0\0\0\0\0\0\0"sv;  // the signature, no flags, nothing further
}

void CopyRows::add(const Reading& reading, std::string& out) const {
  constexpr std::int64_t year_2000_us = 946'684'800'000'000;  // where PostgreSQL's own count begins
  constexpr std::int32_t missing = -1;
  put(out, static_cast<std::int16_t>(1 + present_.size()));
  put(out, static_cast<std::int32_t>(sizeof reading.time.us));
  put(out, reading.time.us - year_2000_us);
  for (const Quantity quantity : present_) {
    if (const auto value = reading.values.get(quantity))
      put_numeric(out, *value);
    else
      put(out, missing);
  }
}

std::string_view CopyRows::trailer() {
  return "\377\377"sv;
}

}  // namespace nightwatt::mirror
