// Any bytes into the text-line decoders, all forms. Traps when a promise of decoder.hpp is broken: the same for any
// pieces, bounded printable messages, offsets within what was fed, and good lines read again after garbage.

#include <algorithm>
#include <cstdint>

#include "decoder_promises.hpp"

namespace {

using namespace nightwatt;
using fuzz::check_promises;
using fuzz::require;

MeterProfile profile_for(std::uint8_t choice) {
  const auto form = static_cast<TextForm>(choice % 3U);
  ReadSpec power;
  power.quantity = Quantity::power;
  power.column = 2;
  power.key = "P";
  power.scale = (choice & 8U) != 0 ? Decimal{1, -3} : Decimal{1, 0};
  ReadSpec voltage;
  voltage.quantity = Quantity::voltage;
  voltage.column = 1;
  voltage.key = "V";
  MeterProfile profile;
  profile.protocol = TextLineSettings{form, (choice & 16U) != 0 ? TextChecksum::xor_nmea : TextChecksum::none};
  profile.reads = {voltage, power};
  return profile;
}

std::string good_line(std::uint8_t choice) {
  constexpr std::array<std::string_view, 3> forms = {"230,118", "V=230 P=118", "{\"V\":230,\"P\":118}"};
  std::string line(forms[choice % 3U]);
  if ((choice & 16U) == 0) return line + "\n";
  unsigned sum = 0;
  for (const char c : line) sum ^= static_cast<unsigned char>(c);
  constexpr std::string_view digits = "0123456789ABCDEF";
  return "$" + line + "*" + digits[sum / 16] + digits[sum % 16] + "\n";
}

void live(const MeterProfile& profile, std::span<const std::byte> bytes, std::uint8_t choice) {
  auto decoder = drivers::make_decoder(profile).value();
  auto by_byte = drivers::make_decoder(profile).value();
  drivers::Output out;
  drivers::Output out_by_byte;
  decoder->feed(bytes, Duration{0}, out);
  for (const std::byte& byte : bytes) by_byte->feed({&byte, 1}, Duration{0}, out_by_byte);
  require(test::described(out) == test::described(out_by_byte));
  check_promises(out, bytes.size());

  // Whatever came before, the fourth good line running is read; three may be needed to believe a new layout.
  const std::string line = good_line(choice);
  decoder->feed(test::from_text("\n" + line + line + line), Duration{0}, out);
  out = {};
  decoder->feed(test::from_text(line), Duration{0}, out);
  require(out.readings.size() == 1 && out.faults.empty());
  require(out.readings[0].values.get(Quantity::voltage) == Decimal{230, 0});
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 2) return 0;
  const std::span<const std::byte> bytes = std::as_bytes(std::span(data + 2, size - 2));
  const MeterProfile profile = profile_for(data[0]);
  fuzz::capture_in_pieces(profile, bytes, data[1], 29);
  live(profile, bytes, data[0]);
  return 0;
}
