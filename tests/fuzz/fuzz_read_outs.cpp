// Any bytes into the decoders of read-outs (dsmr-p1, iec62056-21), live and from a capture. Traps when a promise of
// decoder.hpp is broken: the same for any pieces, bounded printable messages, offsets within what was fed, and the next
// good frame found whatever came before.

#include <algorithm>
#include <cstdint>
#include <string_view>

#include "decoder_promises.hpp"

namespace {

using namespace nightwatt;
using fuzz::require;

MeterProfile profile_for(std::uint8_t choice) {
  MeterProfile profile;
  for (const Quantity quantity : {Quantity::power, Quantity::energy, Quantity::voltage}) {
    profile.reads.emplace_back();
    profile.reads.back().quantity = quantity;
  }
  profile.reads[1].obis = (choice & 0x10U) != 0 ? "1-0:1.8.0" : "";
  if (choice % 4 == 0) {
    profile.protocol = DsmrP1Settings();
    return profile;
  }
  Iec62056Settings settings;
  settings.mode = static_cast<Iec62056Mode>(choice % 4);
  if ((choice & 0x20U) != 0) settings.mode = Iec62056Mode::a;
  settings.wake_up = (choice & 0x40U) != 0;
  profile.line = {300, Parity::even, 7, 1};
  profile.protocol = settings;
  return profile;
}

/// A telegram, or a data block, with a right check: made by hand.
std::string_view good_frame(const MeterProfile& profile) {
  if (profile.protocol.find<DsmrP1Settings>() != nullptr) return "\n/SKP5\\X\r\n\r\n1-0:1.7.0(00.100*kW)\r\n!D688\r\n";
  return "\n/?!\r\n/SKP5X\r\n\x06"
         "050\r\n\x02"
         "1.7.0(1*kW)\r\n!\r\n\x03"
         "2";
}

void finds_the_next(const MeterProfile& profile, std::span<const std::byte> bytes) {
  if (const auto* head = profile.protocol.find<Iec62056Settings>(); head != nullptr && head->mode == Iec62056Mode::d)
    return;  // without a check a frame counts by what came before it
  test::Bytes all(bytes.begin(), bytes.end());
  const std::string_view good = good_frame(profile);
  // The first may be taken for the rest of what came before.
  for (int i = 0; i < 2; ++i)
    for (const char c : good) all.push_back(static_cast<std::byte>(c));
  const drivers::Output out = test::decode_whole(profile, all);
  require(!out.readings.empty() && out.readings.back().at_byte > all.size() - good.size());
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 2) return 0;
  const std::span<const std::byte> bytes = std::as_bytes(std::span(data + 2, size - 2));
  const MeterProfile profile = profile_for(data[0]);
  fuzz::capture_in_pieces(profile, bytes, data[1], 13);
  finds_the_next(profile, bytes);
  fuzz::live_in_pieces(profile, bytes, 1U + data[1] % 64U, 19);
  return 0;
}
