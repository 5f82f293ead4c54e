#include "register_lines.hpp"

#include <bit>

#include "field_text.hpp"

namespace nightwatt::sim {
namespace {

struct Place {
  std::string_view code;
  std::string_view unit;
  int kilo = 0;            ///< digits that the point moves to the left
  std::size_t digits = 0;  ///< in front of the point
};

/// Of IEC 62056-61; units and digits as DSMR P1 5.0.2 has them, where it does.
Place usual_place(Quantity quantity) {
  switch (quantity) {
    case Quantity::power:
      return {"1.7.0", "kW", 3, 2};
    case Quantity::energy:
      return {"1.8.0", "kWh", 3, 6};
    case Quantity::energy_export:
      return {"2.8.0", "kWh", 3, 6};
    case Quantity::voltage:
      return {"32.7.0", "V", 0, 3};
    case Quantity::current:
      return {"31.7.0", "A", 0, 3};
    case Quantity::power_factor:
      return {"13.7.0", "", 0, 1};
    case Quantity::frequency:
      return {"14.7.0", "Hz", 0, 2};
    case Quantity::apparent:
      return {"9.7.0", "kVA", 3, 2};
    case Quantity::reactive:
      return {"3.7.0", "kvar", 3, 2};
  }
  return {};
}

/// The register that is subtracted: the same with the second group for export.
std::string export_of(Quantity quantity) {
  return quantity == Quantity::power ? "2.7.0" : quantity == Quantity::reactive ? "4.7.0" : "";
}

std::string padded(const Decimal& value, std::size_t digits) {
  std::string text = value.text();
  const bool negative = text.front() == '-';
  if (negative) text.erase(0, 1);
  const std::size_t point = std::min(text.find('.'), text.size());
  if (point < digits) text.insert(0, digits - point, '0');
  return (negative ? "-" : "") + text;
}

/// Moves the point: a thousandth, with all digits kept.
Decimal moved(Decimal value, int kilo) {
  const int exponent = value.exponent - kilo;
  const std::int64_t mantissa = exponent > 0 ? value.mantissa_at(kilo).value_or(0) : value.mantissa;
  return {mantissa, static_cast<std::int8_t>(std::min(exponent, 0))};
}

std::string line(std::string_view code, const Decimal& value, const Place& place) {
  return std::string(code) + "(" + padded(value, place.digits) +
         (place.unit.empty() ? "" : "*" + std::string(place.unit)) + ")\r\n";
}

std::string energy_lines(const std::string& code, const Decimal& value, const Place& place) {
  constexpr std::int64_t night_share = 3;  // of five parts
  const std::int64_t night = value.mantissa * night_share / 5;
  const std::string stem = code.substr(0, code.size() - 1);
  return line(stem + "1", {night, value.exponent}, place) +
         line(stem + "2", {value.mantissa - night, value.exponent}, place);
}

}  // namespace

std::string register_lines(const MeterProfile& profile, const Model& model, double at_s, LineStyle style,
                           std::vector<std::pair<Quantity, std::string>>& values) {
  std::string text;
  for (const ReadSpec& read : profile.reads) {
    const FieldText field = to_field(read, model.measured(read.quantity, at_s), model.script());
    values.emplace_back(read.quantity, field.text);
    const Place place = usual_place(read.quantity);
    const Decimal value = moved(Decimal::parse(field.raw).value_or(Decimal{0, 0}), place.kilo);
    const std::string medium = style.medium ? "1-0:" : "";
    std::string code = read.obis.empty() ? std::string(place.code) : read.obis;
    if (code.find(':') == std::string::npos) code = medium + code;
    const bool is_energy = read.quantity == Quantity::energy || read.quantity == Quantity::energy_export;
    std::string minus = read.obis.empty() ? export_of(read.quantity) : read.minus;
    if (!minus.empty() && minus.find(':') == std::string::npos) minus = medium + minus;
    if (is_energy && style.tariffs && code.ends_with(".8.0")) {
      text += energy_lines(code, value, place);
    } else if (minus.empty()) {
      text += line(code, value, place);
    } else {
      const Decimal none{0, value.exponent};
      const Decimal turned{-value.mantissa, value.exponent};
      text += line(code, value.mantissa < 0 ? none : value, place);
      text += line(minus, value.mantissa < 0 ? turned : none, place);
    }
  }
  return text;
}

std::vector<std::byte> with_even_parity(std::string_view text) {
  std::vector<std::byte> bytes = to_bytes(text);
  for (std::byte& byte : bytes)
    if (std::popcount(std::to_integer<unsigned>(byte)) % 2 != 0) byte |= std::byte{0x80};
  return bytes;
}

}  // namespace nightwatt::sim
