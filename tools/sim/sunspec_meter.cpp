#include "sunspec_meter.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "registers.hpp"

namespace nightwatt::sim {
namespace {

// The published models 1 and 203 (SunSpec, Apache-2.0): lengths, and where a value and its scale factor stand. The
// decoder has the same places in drivers/sunspec/model.cpp. They are written here anew on purpose: an end that took
// them from there would agree with it also where both are wrong.
constexpr std::size_t common_model = 2;
constexpr std::size_t common_length = 66;
constexpr std::size_t meter_model = common_model + 2 + common_length;
constexpr std::size_t meter_length = 105;
constexpr std::size_t map_length = meter_model + 2 + meter_length + 2;
constexpr std::uint16_t map_at = 40000;
constexpr std::uint16_t not_implemented = 0x8000;

struct Place {
  Quantity quantity;
  std::size_t value;
  std::size_t factor;
  bool wide;  // acc32
};
// Read off the published model once more, and no copy of the driver's: a wrong place in either shows in the other.
constexpr std::array<Place, 9> places = {{{Quantity::power, 18, 22, false},
                                          {Quantity::voltage, 7, 15, false},
                                          {Quantity::current, 2, 6, false},
                                          {Quantity::power_factor, 33, 37, false},
                                          {Quantity::frequency, 16, 17, false},
                                          {Quantity::energy, 46, 54, true},
                                          {Quantity::energy_export, 38, 54, true},
                                          {Quantity::apparent, 23, 27, false},
                                          {Quantity::reactive, 28, 32, false}}};

using Map = std::array<std::uint16_t, map_length>;

Map empty_map() {
  Map map{};
  map[0] = 0x5375;
  map[1] = 0x6E53;
  map[common_model] = 1;
  map[common_model + 1] = common_length;
  map[meter_model] = 203;
  map[meter_model + 1] = meter_length;
  std::fill_n(map.begin() + meter_model + 2, 36, not_implemented);
  map[map_length - 2] = 0xFFFF;
  return map;
}

}  // namespace

ModbusSlave::Answer SunSpecMeter::read_registers(std::uint8_t function, std::uint16_t first, std::uint16_t count,
                                                 double at_s) const {
  if (function != 3 || first < map_at || std::size_t{first} + count > map_at + map_length)
    return {refused(function), {}};
  Map map = empty_map();
  Answer answer;
  for (const ReadSpec& read : profile().reads) {
    const auto place = std::find_if(places.begin(), places.end(),
                                    [&](const Place& candidate) { return candidate.quantity == read.quantity; });
    const double step = display_resolution(read, model().script());
    const double shown = on_display(model().measured(read.quantity, at_s), step,
                                    place->wide ? DisplayRule::truncate : DisplayRule::round);
    const int decimals = decimals_of(step);
    const auto raw = static_cast<std::int64_t>(std::llround(shown * std::pow(10.0, decimals)));
    const int factor = read.quantity == Quantity::power_factor ? 2 - decimals : -decimals;
    const std::size_t at = meter_model + place->value;
    if (place->wide) map[at] = static_cast<std::uint16_t>(raw >> 16);
    map[at + (place->wide ? 1 : 0)] = static_cast<std::uint16_t>(raw & 0xFFFF);
    map[meter_model + place->factor] = static_cast<std::uint16_t>(factor);
    const bool within = first <= map_at + at && map_at + at < std::size_t{first} + count;
    if (within && !(place->wide && raw == 0)) answer.values.emplace_back(read.quantity, fixed_text(shown, decimals));
  }
  answer.pdu = {function, static_cast<std::uint8_t>(2 * count)};
  for (std::size_t i = 0; i < count; ++i) {
    const std::uint16_t word = map[first - map_at + i];
    answer.pdu.push_back(static_cast<std::uint8_t>(word >> 8));
    answer.pdu.push_back(static_cast<std::uint8_t>(word & 0xFF));
  }
  return answer;
}

}  // namespace nightwatt::sim
