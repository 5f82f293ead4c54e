// Any bytes into the decoders of meters that are asked (modbus-tcp, scpi, sunspec), live and from a capture. Traps when
// a promise of decoder.hpp is broken: the same for any pieces, bounded printable messages, offsets within what was fed.

#include <algorithm>
#include <cstdint>

#include "decoder_promises.hpp"

namespace {

using namespace nightwatt;

MeterProfile profile_for(std::uint8_t choice) {
  MeterProfile profile;
  ReadSpec power = test::modbus_read(Quantity::power, 4, 8, RegisterType::float32);
  ReadSpec voltage = test::modbus_read(Quantity::voltage, 4, 20, RegisterType::u32, RegisterOrder::badc, {1, -3});
  power.query = "MEAS:POW?";
  voltage.query = "MEAS:VI?";
  power.column = 1;
  voltage.column = 2;
  profile.reads = {power, voltage};
  if (choice % 3 == 0) profile.protocol = ModbusTcpSettings();
  if (choice % 3 == 1) profile.protocol = ScpiSettings();
  if (choice % 3 == 2) profile.protocol = SunSpecSettings();
  return profile;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 2) return 0;
  const std::span<const std::byte> bytes = std::as_bytes(std::span(data + 2, size - 2));
  fuzz::capture_in_pieces(profile_for(data[0]), bytes, data[1], 13);
  fuzz::live_in_pieces(profile_for(data[0]), bytes, 1U + data[1] % 64U, 9);
  return 0;
}
