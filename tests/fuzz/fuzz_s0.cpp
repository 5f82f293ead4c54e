// Edges of a pulse line in any order, at any time, with any count, and bytes that are none, into s0-pulse. Traps when a
// promise of decoder.hpp is broken, when energy goes back, or when power is above what the shortest pulse allows.

#include <algorithm>
#include <cstdint>

#include "decoder_promises.hpp"
#include "s0/edge.hpp"

namespace {

using namespace nightwatt;
using fuzz::require;

MeterProfile pulses() {
  MeterProfile profile;
  profile.protocol = S0PulseSettings{.pulses_per_kwh = 1000.0};
  profile.reads.resize(2);
  profile.reads[1].quantity = Quantity::energy;
  return profile;
}

/// Five bytes an edge: level, time since the last, count since the last; where the first says so, the bytes themselves.
test::Bytes edges_of(const std::uint8_t* data, std::size_t size) {
  test::Bytes bytes;
  drivers::s0::Edge edge;
  for (std::size_t at = 0; at + 5 <= size; at += 5) {
    if (data[at] % 16 == 15) {
      for (std::size_t i = 1; i < 5; ++i) bytes.push_back(static_cast<std::byte>(data[at + i]));
      continue;
    }
    edge.on = data[at] % 2 == 1;
    edge.at_us += static_cast<std::uint64_t>(data[at + 1]) * 256 * 10 + data[at + 2];
    edge.changes += data[at + 3] % 8;
    if (data[at] % 16 == 14) edge.at_us *= 3;
    const auto made = drivers::s0::edge_bytes(edge);
    bytes.insert(bytes.end(), made.begin(), made.end());
  }
  return bytes;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size < 2) return 0;
  const test::Bytes bytes = edges_of(data + 1, size - 1);
  const MeterProfile profile = pulses();
  fuzz::capture_in_pieces(profile, bytes, data[0], 17);
  auto decoder = drivers::make_decoder(profile).value();
  decoder->reset(Duration{0});
  drivers::Output out;
  Duration now{0};
  for (std::size_t at = 0; at < bytes.size(); at += 40) {
    const auto part = std::span(bytes).subspan(at, std::min<std::size_t>(40, bytes.size() - at));
    decoder->feed(part, now, out);
    now += Duration(300'000 * (1 + data[0] % 7));
    decoder->tick(now, out);
  }
  fuzz::check_promises(out, bytes.size());
  double before = 0.0;
  for (const drivers::Measurement& reading : out.readings) {
    if (const auto energy = reading.values.get(Quantity::energy)) {
      require(energy->value() >= before);
      before = energy->value();
    }
    if (const auto power = reading.values.get(Quantity::power)) require(power->value() >= 0.0);
  }
  return 0;
}
