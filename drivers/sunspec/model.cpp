#include "sunspec/model.hpp"

#include <algorithm>
#include <array>

#include "fault_text.hpp"
#include "modbus/register_value.hpp"

namespace nightwatt::drivers::sunspec {

namespace {

/// Where a quantity stands in a model, counted from the model's number (the published models 201, 203 and 211,
/// Apache-2.0).
struct Place {
  Quantity quantity;
  std::size_t value;
  std::size_t factor;  ///< its scale factor's place; of the float models none
  bool accumulates;    ///< acc32: 0 is "not implemented"
};
constexpr std::array<Place, 9> whole_numbers = {{{Quantity::power, 18, 22, false},
                                                 {Quantity::voltage, 7, 15, false},
                                                 {Quantity::current, 2, 6, false},
                                                 {Quantity::power_factor, 33, 37, false},
                                                 {Quantity::frequency, 16, 17, false},
                                                 {Quantity::energy, 46, 54, true},
                                                 {Quantity::energy_export, 38, 54, true},
                                                 {Quantity::apparent, 23, 27, false},
                                                 {Quantity::reactive, 28, 32, false}}};
constexpr std::array<Place, 9> floats = {{{Quantity::power, 28, 0, false},
                                          {Quantity::voltage, 10, 0, false},
                                          {Quantity::current, 2, 0, false},
                                          {Quantity::power_factor, 52, 0, false},
                                          {Quantity::frequency, 26, 0, false},
                                          {Quantity::energy, 68, 0, false},
                                          {Quantity::energy_export, 60, 0, false},
                                          {Quantity::apparent, 36, 0, false},
                                          {Quantity::reactive, 44, 0, false}}};
/// Of a meter that does not give the mean over its phases, the first phase's.
constexpr std::size_t first_phase_voltage = 8;
constexpr std::size_t first_phase_voltage_float = 12;

constexpr unsigned not_implemented = 0x8000;  // int16 and scale factors
constexpr int largest_factor = 10;

int signed_word(unsigned word) {
  return word < 0x8000U ? static_cast<int>(word) : static_cast<int>(word) - 0x10000;
}

bool has_floats(unsigned model) {
  return model >= 211;
}

struct Found {
  bool there = false;
  bool beyond = false;
  Decimal value;
};

Found scaled(std::int64_t raw, unsigned factor_word) {
  const int factor = signed_word(factor_word);
  if (factor_word == not_implemented || factor < -largest_factor || factor > largest_factor) return {};
  // Beyond what a Decimal's exponent holds: nine places.
  const auto exponent = static_cast<std::int8_t>(std::clamp(factor, -9, 9));
  std::optional<Decimal> value = Decimal{raw, 0}.times({1, exponent});
  if (value && factor != exponent) value = value->times({1, static_cast<std::int8_t>(factor - exponent)});
  if (!value) return {true, true, {}};
  return {true, false, *value};
}

Found whole_number(std::span<const std::byte> block, const Place& place, std::size_t at) {
  if (place.accumulates) {
    const std::int64_t raw = static_cast<std::int64_t>(register_at(block, at)) * 0x10000 + register_at(block, at + 1);
    return raw == 0 ? Found{} : scaled(raw, register_at(block, place.factor));
  }
  const unsigned word = register_at(block, at);
  return word == not_implemented ? Found{} : scaled(signed_word(word), register_at(block, place.factor));
}

Found float_number(std::span<const std::byte> block, std::size_t at) {
  const RegisterValue value =
      decode_registers(block.subspan(2 * at, 4), RegisterType::float32, RegisterOrder::abcd, {1, 0});
  if (value.state == RegisterState::value) return {true, false, value.value};
  return {value.state == RegisterState::range, true, {}};
}

}  // namespace

bool is_meter(unsigned model) {
  return (model >= 201 && model <= 204) || (model >= 211 && model <= 214);
}

std::uint16_t block_length(unsigned model) {
  return has_floats(model) ? 70 : 55;
}

unsigned register_at(std::span<const std::byte> block, std::size_t index) {
  return std::to_integer<unsigned>(block[2 * index]) * 256U + std::to_integer<unsigned>(block[2 * index + 1]);
}

void take_block(std::span<const std::byte> block, const std::vector<ReadSpec>& reads, std::uint64_t at_byte,
                Values& values, std::vector<Fault>& faults) {
  const bool with_floats = has_floats(register_at(block, 0));
  for (const ReadSpec& read : reads) {
    const auto& places = with_floats ? floats : whole_numbers;
    const auto place = std::find_if(places.begin(), places.end(),
                                    [&](const Place& candidate) { return candidate.quantity == read.quantity; });
    Found found = with_floats ? float_number(block, place->value) : whole_number(block, *place, place->value);
    if (!found.there && read.quantity == Quantity::voltage)
      found = with_floats ? float_number(block, first_phase_voltage_float)
                          : whole_number(block, *place, first_phase_voltage);
    if (!found.there) continue;
    std::optional<Decimal> value = found.beyond ? std::nullopt : found.value.times(read.scale);
    // The models with scale factors give it in percent.
    if (value && read.quantity == Quantity::power_factor && !with_floats) value = value->times({1, -2});
    if (value) {
      values.set(read.quantity, *value);
    } else {
      faults.push_back(make_fault(FaultKind::range, at_byte,
                                  std::string(quantity_name(read.quantity)) + " is out of range: check its scale"));
    }
  }
}

}  // namespace nightwatt::drivers::sunspec
