// What the decoders' fuzz targets hold any decoder to.
#pragma once

#include <algorithm>
#include <cstdint>
#include <cstdlib>
#include <span>

#include "tests/drivers/stream.hpp"

namespace nightwatt::fuzz {

inline void require(bool holds) {
  if (!holds) std::abort();
}

/// Bounded printable messages, and offsets within the `fed` bytes.
inline void check_promises(const drivers::Output& out, std::uint64_t fed) {
  for (const drivers::Measurement& reading : out.readings) require(reading.at_byte < fed && !reading.values.empty());
  for (const drivers::Fault& fault : out.faults) {
    require(fault.at_byte <= fed && fault.message.size() <= 200);
    require(std::all_of(fault.message.begin(), fault.message.end(), [](char c) { return c >= ' ' && c <= '~'; }));
  }
}

/// A capture in pieces of changing length, up to `longest`, gives what it gives in one.
inline void capture_in_pieces(const MeterProfile& profile, std::span<const std::byte> bytes, std::uint8_t piece,
                              unsigned longest) {
  const drivers::Output whole = test::decode_whole(profile, bytes);
  check_promises(whole, bytes.size());
  drivers::Output pieces;
  auto decoder = drivers::make_capture_decoder(profile).value();
  std::size_t at = 0;
  while (at < bytes.size()) {
    const std::size_t length = std::min<std::size_t>(1 + piece % longest, bytes.size() - at);
    decoder->feed(bytes.subspan(at, length), pieces);
    at += length;
    piece = static_cast<std::uint8_t>(piece * 5 + 1);
  }
  decoder->finish(pieces);
  require(test::described(pieces) == test::described(whole));
}

}  // namespace nightwatt::fuzz
