// Any bytes into the decoders of meters that are asked (modbus-tcp, scpi, sunspec), live and from a capture. Traps when
// a promise of decoder.hpp is broken: the same for any pieces, bounded printable messages, offsets within what was fed.

#include <algorithm>
#include <cstdint>

#include "decoder_promises.hpp"

namespace {

using namespace nightwatt;
using fuzz::check_promises;
using fuzz::require;

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

void live(const MeterProfile& profile, std::span<const std::byte> bytes, std::size_t piece) {
  auto decoder = drivers::make_decoder(profile).value();
  auto by_byte = drivers::make_decoder(profile).value();
  drivers::Output out;
  drivers::Output out_by_byte;
  Duration now{0};
  for (std::size_t at = 0; at < bytes.size(); at += piece) {
    const std::span<const std::byte> part = bytes.subspan(at, std::min(piece, bytes.size() - at));
    decoder->tick(now, out);
    by_byte->tick(now, out_by_byte);
    decoder->feed(part, now, out);
    for (const std::byte& byte : part) by_byte->feed({&byte, 1}, now, out_by_byte);
    now += Duration(1'000 * (std::to_integer<std::int64_t>(part[0]) * 9));
  }
  require(test::described(out) == test::described(out_by_byte));
  require(out.send == out_by_byte.send);
  check_promises(out, bytes.size());
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 2) return 0;
  const std::span<const std::byte> bytes = std::as_bytes(std::span(data + 2, size - 2));
  fuzz::capture_in_pieces(profile_for(data[0]), bytes, data[1], 13);
  live(profile_for(data[0]), bytes, 1U + data[1] % 64U);
  return 0;
}
