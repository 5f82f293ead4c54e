// Any bytes into the SML decoders. Traps when a promise of decoder.hpp is broken: the same for any pieces, bounded
// printable messages, offsets within what was fed, and a good file read after garbage; and any messages into a good
// frame, so that what is behind the check is reached.

#include <algorithm>
#include <cstdint>

#include "decoder_promises.hpp"
#include "tests/drivers/sml_bytes.hpp"

namespace {

using namespace nightwatt;
using fuzz::require;

const std::string power = "77 07 01 00 10 07 00 FF 01 01 62 1B 52 00 53 01 2C 01";

void live(const MeterProfile& profile, std::span<const std::byte> bytes) {
  auto decoder = drivers::make_decoder(profile).value();
  auto by_byte = drivers::make_decoder(profile).value();
  drivers::Output out, out_by_byte;
  decoder->feed(bytes, Duration{0}, out);
  for (const std::byte& byte : bytes) by_byte->feed({&byte, 1}, Duration{0}, out_by_byte);
  require(test::described(out) == test::described(out_by_byte));
  fuzz::check_promises(out, bytes.size());
  static const test::Bytes good = test::made_list(1, power);
  out = {};
  decoder->feed(good, Duration{0}, out);
  require(!out.readings.empty() && out.readings.back().values.get(Quantity::power) == Decimal{300, 0});
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 2 || size > 4096) return 0;
  const std::span<const std::byte> bytes = std::as_bytes(std::span(data + 2, size - 2));
  const MeterProfile profile = test::sml_profile((data[0] & 1U) != 0);
  test::Bytes input(bytes.begin(), bytes.end());
  if ((data[0] & 2U) != 0) input = test::made_file(input);
  fuzz::capture_in_pieces(profile, input, data[1], 29);
  live(profile, input);
  return 0;
}
