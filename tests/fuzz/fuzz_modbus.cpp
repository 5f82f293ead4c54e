// Any bytes into the Modbus decoders, live and from a capture. Traps when a promise of decoder.hpp is broken: the same
// for any pieces, bounded printable messages, offsets within what was fed, and the next good answer found after
// garbage.

#include <algorithm>
#include <cstdint>

#include "decoder_promises.hpp"

namespace {

using namespace nightwatt;
using fuzz::require;

MeterProfile profile_for(std::uint8_t choice) {
  std::vector<ReadSpec> reads = {test::modbus_read(Quantity::power, 3, 107, RegisterType::u16),
                                 test::modbus_read(Quantity::voltage, 3, 108, RegisterType::u16),
                                 test::modbus_read(Quantity::current, 3, 109, RegisterType::u16)};
  if ((choice & 1U) != 0) reads.push_back(test::modbus_read(Quantity::energy, 4, 8, RegisterType::float32));
  if ((choice & 2U) != 0)
    reads.push_back(test::modbus_read(Quantity::frequency, 4, 20, RegisterType::u32, RegisterOrder::badc, {1, -3}));
  MeterProfile profile = test::modbus_profile(std::move(reads));
  profile.line.baud = (choice & 4U) != 0 ? 115200 : 300;
  return profile;
}

/// One register asked for, so that one good answer is a reading.
void recovers(std::span<const std::byte> bytes) {
  const MeterProfile profile = test::modbus_profile({test::modbus_read(Quantity::power, 4, 8, RegisterType::u16)});
  auto decoder = drivers::make_decoder(profile).value();
  drivers::Output out;
  decoder->tick(Duration{0}, out);
  decoder->feed(bytes, Duration{0}, out);
  // The answer of the specification, V1.1b3, 6.4, to the next request after the garbage.
  out = {};
  Duration now{0};
  for (int i = 0; i < 100 && out.send.empty(); ++i) {
    now = std::max(now, decoder->next_tick().value());
    decoder->tick(now, out);
  }
  require(out.send == test::from_hex("11 04 00 08 00 01 B2 98"));
  out = {};
  decoder->feed(test::from_hex("11 04 02 00 0A F8 F4"), now, out);
  require(out.readings.size() == 1 && out.readings[0].values.get(Quantity::power) == Decimal{10, 0});
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 2) return 0;
  const std::span<const std::byte> bytes = std::as_bytes(std::span(data + 2, size - 2));
  fuzz::capture_in_pieces(profile_for(data[0]), bytes, data[1], 13);
  fuzz::live_in_pieces(profile_for(data[0]), bytes, 1U + data[1] % 64U, 3);
  recovers(bytes);
  return 0;
}
