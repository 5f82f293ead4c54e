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

/// Live, in pieces and byte by byte: the same is read, told and sent. Each piece's first byte says how much time passes
/// after it, times `pace` milliseconds.
inline void live_in_pieces(const MeterProfile& profile, std::span<const std::byte> bytes, std::size_t piece,
                           std::int64_t pace) {
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
    now += Duration(1'000 * (std::to_integer<std::int64_t>(part[0]) * pace));
  }
  require(test::described(out) == test::described(out_by_byte));
  require(out.send == out_by_byte.send && out.line == out_by_byte.line && out.notes == out_by_byte.notes);
  check_promises(out, bytes.size());
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
