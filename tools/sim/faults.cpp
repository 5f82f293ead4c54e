#include "faults.hpp"

#include <algorithm>

namespace nightwatt::sim {
namespace {

constexpr std::uint64_t noise_subject = 10;
// Garbage comes in bursts of this size at this pace: about what a 9600 baud line with the wrong speed set delivers.
constexpr std::size_t garbage_burst_bytes = 96;
constexpr double garbage_burst_every_s = 0.1;
constexpr std::size_t garbage_burst_limit = 1'000'000;  // over a day of it; bounds the plan's memory

}  // namespace

Faults::Faults(const Script& script, std::uint64_t seed) : seed_(seed) {
  for (const ScriptFault& fault : script.faults) {
    switch (fault.type) {
      case FaultType::garbage:
        for (double at = fault.at_s; at < fault.at_s + fault.length_s && bursts_.size() < garbage_burst_limit;
             at += garbage_burst_every_s)
          bursts_.emplace_back(at, garbage_burst_bytes);
        [[fallthrough]];
      case FaultType::silence:
        quiet_.push_back({fault.at_s, fault.at_s + fault.length_s});
        break;
      case FaultType::noise:
        bursts_.emplace_back(fault.at_s, static_cast<std::size_t>(fault.count));
        break;
      case FaultType::cut:
        counted_.push_back({fault.at_s, Fate::cut, fault.count, 0});
        break;
      case FaultType::checksum:
        counted_.push_back({fault.at_s, Fate::checksum, fault.count, 0});
        break;
      case FaultType::exception:
        counted_.push_back({fault.at_s, Fate::exception, fault.count, fault.code});
        break;
      case FaultType::twice:
        counted_.push_back({fault.at_s, Fate::twice, fault.count, 0});
        break;
      case FaultType::unplug:
        break;  // the wire's business, not the meter's
    }
  }
  std::stable_sort(bursts_.begin(), bursts_.end(), [](const auto& a, const auto& b) { return a.first < b.first; });
}

Faults::Verdict Faults::next_frame(double at_s) {
  for (const Span& span : quiet_)
    if (at_s >= span.begin_s && at_s < span.end_s) return {Fate::silent, 0};
  if (counted_.empty() || counted_.front().at_s > at_s) return {};
  const Verdict verdict{counted_.front().fate, counted_.front().code};
  if (--counted_.front().left == 0) counted_.pop_front();
  return verdict;
}

std::vector<std::vector<std::byte>> Faults::noise_until(double at_s) {
  std::vector<std::vector<std::byte>> due;
  while (!bursts_.empty() && bursts_.front().first <= at_s) {
    due.push_back(noise_bytes(bursts_.front().second));
    bursts_.pop_front();
  }
  return due;
}

std::optional<double> Faults::next_noise_s() const {
  if (bursts_.empty()) return std::nullopt;
  return bursts_.front().first;
}

std::vector<std::byte> Faults::noise_bytes(std::size_t count) {
  std::vector<std::byte> bytes(count);
  for (std::byte& byte : bytes) byte = static_cast<std::byte>(hashed(seed_, noise_subject, noise_sent_++) & 0xFF);
  return bytes;
}

}  // namespace nightwatt::sim
