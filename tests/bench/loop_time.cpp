#include "tests/bench/loop_time.hpp"

#include <algorithm>
#include <array>
#include <cstdio>
#include <ctime>
#include <filesystem>
#include <functional>
#include <memory>
#include <random>
#include <vector>

#include "config/config.hpp"
#include "drivers/protocols.hpp"
#include "sim/meter.hpp"

namespace nightwatt::bench {

namespace {

using Bytes = std::vector<std::byte>;

/// What the loop reads at once at most (PortLink::read_limit), however fast the line was and however late the loop is.
constexpr std::size_t one_read = 4096;
/// The same calls again: what other programs on the machine cost is in the longer ones.
constexpr int rounds = 5;
constexpr double simulated_s = 30.0;
constexpr double highest_baud_bytes_per_s = 921'600.0 / 10.0;
constexpr double limit_ms = 1.0;

double processor_ms() {
  timespec now{};
  clock_gettime(CLOCK_THREAD_CPUTIME_ID, &now);
  return static_cast<double>(now.tv_sec) * 1e3 + static_cast<double>(now.tv_nsec) * 1e-6;
}

/// The least that each call took in any round, by its place in the round.
class Calls {
 public:
  void begin_round() { next_ = 0; }
  void time(const std::function<void()>& call) {
    const double begin = processor_ms();
    call();
    const double took_ms = processor_ms() - begin;
    if (next_ == least_.size()) least_.push_back(took_ms);
    least_[next_] = std::min(least_[next_], took_ms);
    ++next_;
  }
  [[nodiscard]] double longest() const {
    return least_.empty() ? 0.0 : *std::max_element(least_.begin(), least_.end());
  }

 private:
  std::vector<double> least_;
  std::size_t next_ = 0;
};

struct Ends {
  std::unique_ptr<drivers::Decoder> decoder;
  std::unique_ptr<sim::Meter> meter;
};
Ends make_ends(const MeterProfile& profile) {
  auto script = sim::parse_script("noise white 0.4\nlevel 1180 for 60\n", "bench").value();
  return {drivers::make_decoder(profile).value(), sim::make_meter(profile, std::move(script), 5).value()};
}

Duration at(double seconds) {
  return to_duration(Seconds{seconds});
}

/// Meter and decoder talk for half a minute; all that the meter said.
Bytes converse(const MeterProfile& profile, Calls& calls, std::size_t& readings) {
  const Ends ends = make_ends(profile);
  ends.decoder->reset(Duration{0});
  Bytes said;
  std::vector<sim::Chunk> chunks;
  ends.meter->plugged(0.0, chunks);
  readings = 0;
  for (double now_s = 0.0; now_s < simulated_s; now_s += 0.005) {
    ends.meter->advance(now_s, chunks);
    drivers::Output out;
    for (const sim::Chunk& chunk : chunks) {
      said.insert(said.end(), chunk.bytes.begin(), chunk.bytes.end());
      calls.time([&] { ends.decoder->feed(chunk.bytes, at(now_s), out); });
    }
    chunks.clear();
    calls.time([&] { ends.decoder->tick(at(now_s), out); });
    readings += out.readings.size();
    if (!out.send.empty()) ends.meter->receive(out.send, now_s + 0.001, chunks);
  }
  return said;
}

/// Full reads one after the other, as a loop finds them that was away; the bytes come round again.
void feed_full_reads(const MeterProfile& profile, const Bytes& bytes, Calls& calls) {
  if (bytes.empty()) return;
  constexpr int reads = 12;
  const Ends ends = make_ends(profile);
  drivers::Output out;
  ends.decoder->reset(Duration{0});
  Bytes read(one_read);
  std::size_t next = 0;
  for (int i = 0; i < reads; ++i) {
    for (std::byte& byte : read) byte = bytes[next++ % bytes.size()];
    const Duration now = at(10.0 + i);
    calls.time([&] { ends.decoder->tick(now, out); });
    calls.time([&] { ends.decoder->feed(read, now, out); });
    out = {};
  }
}

/// Made to cost time: damage in every frame, halves of frames, the beginnings of frames, noise, a single byte for ever.
std::vector<Bytes> hostile(const Bytes& said) {
  std::mt19937 random(7);
  std::vector<Bytes> all;
  Bytes damaged = said;
  for (std::size_t i = 11; i < damaged.size(); i += 37) damaged[i] ^= std::byte{0x10};
  all.push_back(damaged);
  for (const std::size_t length : {2U, 3U, 5U, 8U, 16U, 40U, 100U, 300U})
    if (said.size() > length) all.emplace_back(said.begin(), said.begin() + static_cast<std::ptrdiff_t>(length));
  Bytes noise(3 * one_read);
  for (std::byte& byte : noise) byte = static_cast<std::byte>(random());
  all.push_back(noise);
  for (int byte = 0; byte < 256; ++byte) all.emplace_back(1, static_cast<std::byte>(byte));
  return all;
}

struct LoopTime {
  std::size_t readings = 0;
  double talking_ms = 0.0, full_read_ms = 0.0, hostile_ms = 0.0;
};
LoopTime time_of(const MeterProfile& profile) {
  Calls talking, full, worst;
  LoopTime result;
  Bytes said;
  for (int round = 0; round < rounds; ++round) {
    talking.begin_round();
    said = converse(profile, talking, result.readings);
    full.begin_round();
    feed_full_reads(profile, said, full);
    worst.begin_round();
    for (const Bytes& bytes : hostile(said)) feed_full_reads(profile, bytes, worst);
  }
  result.talking_ms = talking.longest();
  result.full_read_ms = full.longest();
  result.hostile_ms = worst.longest();
  return result;
}

}  // namespace

bool print_loop_times(const std::string& profiles) {
  std::printf(
      "Longest single call on a live decoder, ms of processor time, least of %d rounds; a read has %zu bytes at most, "
      "at any "
      "baud\n%-24s %9s   %10s   %10s   %10s   %s\n",
      rounds, one_read, "profile", "readings", "talking", "full read", "hostile",
      "share of the loop at 921600 baud, hostile");
  std::vector<std::filesystem::path> files;
  for (const auto& entry : std::filesystem::directory_iterator(profiles)) files.push_back(entry.path());
  std::sort(files.begin(), files.end());
  bool holds = !files.empty();
  for (const auto& file : files) {
    const auto profile = config::load_profile(file.string(), ".", drivers::protocol_readers());
    if (!profile) {
      std::printf("%s: %s\n", file.c_str(), profile.error().message.c_str());
      holds = false;
      continue;
    }
    const LoopTime time = time_of(*profile);
    const double longest = std::max({time.talking_ms, time.full_read_ms, time.hostile_ms});
    const bool good = time.readings > 0 && longest < limit_ms;
    holds = holds && good;
    std::printf("%-24s %9zu   %10.4f   %10.4f   %10.4f   %5.2f %%%s\n", file.stem().c_str(), time.readings,
                time.talking_ms, time.full_read_ms, time.hostile_ms,
                time.hostile_ms * 1e-3 * highest_baud_bytes_per_s / static_cast<double>(one_read) * 100.0,
                good ? "" : "   <- a millisecond or more, or no readings");
  }
  return holds;
}

}  // namespace nightwatt::bench
