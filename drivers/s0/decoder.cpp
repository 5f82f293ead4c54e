#include "s0/decoder.hpp"

#include <algorithm>
#include <cmath>
#include <string>

#include "fault_text.hpp"

namespace nightwatt::drivers::s0 {

namespace {

constexpr double wh_per_kwh = 1000.0;
constexpr double ws_per_kwh = 3.6e6;
/// A contact that is closed for longer is stuck, or wired the other way round: outputs hold 30 to 500 ms.
constexpr std::uint64_t stuck_after_us = 1'000'000;

void put(Values& values, const std::vector<ReadSpec>& reads, Quantity quantity, double value, int decimals) {
  for (const ReadSpec& read : reads) {
    if (read.quantity != quantity) continue;
    const double scaled = value * std::pow(10.0, decimals);
    if (std::abs(scaled) > 9e15) return;
    const Decimal exact{std::llround(scaled), static_cast<std::int8_t>(-decimals)};
    if (const auto taken = exact.times(read.scale)) values.set(quantity, *taken);
  }
}

/// Energy in full pulses: the digits that one pulse needs, and no more.
void put_energy(Values& values, const std::vector<ReadSpec>& reads, std::uint64_t pulses, double pulses_per_kwh) {
  constexpr int finest = 6;
  const double step_wh = wh_per_kwh / pulses_per_kwh;
  int decimals = 0;
  while (decimals < finest &&
         std::abs(std::round(step_wh * std::pow(10.0, decimals)) - step_wh * std::pow(10.0, decimals)) > 1e-9)
    ++decimals;
  put(values, reads, Quantity::energy, static_cast<double>(pulses) * step_wh, decimals);
}

}  // namespace

template <class OnEdge>
void EdgeReader::take_edges(std::vector<Fault>& faults, OnEdge&& on_edge) {
  std::size_t at = 0;
  while (buffer_.size() - at >= edge_length) {
    const auto edge = read_edge(std::span<const std::byte>(buffer_).subspan(at, edge_length));
    const std::uint64_t at_byte = fed_ - (buffer_.size() - at);
    if (!edge) {
      if (!in_noise_)
        faults.push_back(make_fault(FaultKind::malformed, at_byte, "bytes that are no edge of a modem line"));
      in_noise_ = true;
      ++at;
      continue;
    }
    in_noise_ = false;
    on_edge(*edge, at_byte);
    at += edge_length;
  }
  buffer_.erase(buffer_.begin(), buffer_.begin() + static_cast<std::ptrdiff_t>(at));
}

template <class OnEdge>
void EdgeReader::feed(std::span<const std::byte> bytes, std::vector<Fault>& faults, OnEdge&& on_edge) {
  for (const std::byte byte : bytes) {
    buffer_.push_back(byte);
    ++fed_;
    if (buffer_.size() >= edge_length) take_edges(faults, on_edge);
  }
}

std::uint64_t PulseCounter::shortest_off_us() const {
  // IEC 62053-31: an output stays open for 30 ms at least; ten less, as an edge is seen late by up to that. Who sets a
  // shorter closing has a meter whose pulses are as close together.
  constexpr std::uint64_t shortest_by_standard_us = 20'000;
  return std::min(shortest_on_us_, shortest_by_standard_us);
}

void PulseCounter::lose_track() {
  on_since_us_.reset();
  closing_.reset();
  changes_.reset();
}

void PulseCounter::push(const Edge& edge, std::uint64_t at_byte, std::vector<Fault>& faults) {
  // A capture of two openings: what the line was before does not say what it is now.
  if (newest_us_ && edge.at_us < *newest_us_) lose_track();
  follow_the_count(edge, at_byte, faults);
  newest_us_ = edge.at_us;
  if (edge.on)
    close(edge.at_us);
  else
    open(edge.at_us, at_byte, faults);
}

/// Two changes within a bounce are one; with more time between them a pulse came and went unseen.
void PulseCounter::follow_the_count(const Edge& edge, std::uint64_t at_byte, std::vector<Fault>& faults) {
  if (edge.changes == 0) return;
  if (changes_ && newest_us_) {
    const std::uint32_t missed = edge.changes - *changes_ - (edge.changes == *changes_ ? 0U : 1U);
    const bool by_bounce = edge.at_us - *newest_us_ < 2 * shortest_on_us_;
    if (missed >= 2 && missed < 1000 && !by_bounce) {
      pulses_ += missed / 2;
      faults.push_back(
          make_fault(FaultKind::mismatch, at_byte,
                     std::to_string(missed) + " edges were not seen in time; counted by the kernel's count"));
    }
  }
  changes_ = edge.changes;
}

void PulseCounter::close(std::uint64_t at_us) {
  if (on_since_us_) return;
  on_since_us_ = at_us;
  const bool bounce = closing_ && at_us - closing_->opened_us < shortest_off_us();
  if (!bounce) closing_ = Closing{.first_us = at_us};
}

void PulseCounter::open(std::uint64_t at_us, std::uint64_t at_byte, std::vector<Fault>& faults) {
  if (!on_since_us_ || !closing_) return;
  const std::uint64_t on_us = at_us - *on_since_us_;
  on_since_us_.reset();
  if (on_us > stuck_after_us) {
    faults.push_back(make_fault(FaultKind::malformed, at_byte,
                                "the contact was closed for " + std::to_string(on_us / 1000) +
                                    " ms: stuck, or the line is the wrong way round; no pulse"));
    closing_.reset();
    return;
  }
  closing_->closed_us += on_us;
  closing_->opened_us = at_us;
  if (closing_->counted || closing_->closed_us < shortest_on_us_) return;
  closing_->counted = true;
  ++pulses_;
  last_us_ = closing_->first_us;
}

std::optional<std::uint64_t> PulseCounter::begun_us(std::uint64_t now_us) const {
  const bool begun = on_since_us_ && closing_ && !closing_->counted && now_us - *on_since_us_ <= stuck_after_us;
  return begun ? std::optional(closing_->first_us) : std::nullopt;
}

PulseMeter::PulseMeter(const S0PulseSettings& settings, std::vector<ReadSpec> reads, Duration interval)
    : settings_(settings), reads_(std::move(reads)), interval_(interval), counter_(settings) {}

void PulseMeter::reset(Duration now) {
  edges_.start_anew();
  counter_.lose_track();
  // The time without the port is no interval between pulses.
  told_us_.reset();
  heard_at_.reset();
  has_power_ = false;
  told_pulses_ = counter_.pulses();
  next_ = now + interval_;
}

void PulseMeter::feed(std::span<const std::byte> bytes, Duration now, Output& out) {
  edges_.feed(bytes, out.faults, [&](const Edge& edge, std::uint64_t at_byte) {
    const std::uint64_t before = counter_.pulses();
    counter_.push(edge, at_byte, out.faults);
    if (counter_.pulses() == before) return;
    // The pulse's leading edge was so much earlier than this one.
    heard_at_ = now - Duration(static_cast<std::int64_t>(edge.at_us - counter_.last_us().value_or(edge.at_us)));
    if (!told_us_) {
      told_us_ = counter_.last_us();
      told_pulses_ = counter_.pulses();
    }
  });
}

/// How long no pulse has come. One that has begun has come, though it counts only when the contact has opened again.
std::uint64_t PulseMeter::waited_us(Duration now) const {
  const auto since_us = static_cast<std::uint64_t>((now - *heard_at_).count());
  if (!counter_.last_us()) return since_us;
  const auto begun_us = counter_.begun_us(*counter_.last_us() + since_us);
  return begun_us ? *begun_us - *counter_.last_us() : since_us;
}

std::optional<double> PulseMeter::power_w(Duration now) const {
  if (!has_power_ || !heard_at_) return std::nullopt;
  if (now <= *heard_at_) return held_w_;
  const double waited_s = static_cast<double>(waited_us(now)) * 1e-6;
  return std::min(held_w_, ws_per_kwh / (settings_.pulses_per_kwh * waited_s));
}

void PulseMeter::tick(Duration now, Output& out) {
  if (now < next_) return;
  next_ += interval_ * (1 + (now - next_) / interval_);
  const std::uint64_t fresh = counter_.pulses() - told_pulses_;
  if (fresh > 0 && told_us_ && counter_.last_us() && *counter_.last_us() > *told_us_) {
    const double span_s = static_cast<double>(*counter_.last_us() - *told_us_) * 1e-6;
    held_w_ = static_cast<double>(fresh) * ws_per_kwh / (settings_.pulses_per_kwh * span_s);
    has_power_ = true;
    told_us_ = counter_.last_us();
    told_pulses_ = counter_.pulses();
  }
  if (counter_.pulses() == 0) return;
  Measurement reading;
  reading.at_byte = edges_.fed() - std::min<std::uint64_t>(edges_.fed(), edge_length);
  if (const auto power = power_w(now)) {
    constexpr int milliwatts = 3;
    put(reading.values, reads_, Quantity::power, *power, milliwatts);
  }
  put_energy(reading.values, reads_, counter_.pulses(), settings_.pulses_per_kwh);
  if (!reading.values.empty()) out.readings.push_back(reading);
}

void CapturePulses::feed(std::span<const std::byte> bytes, Output& out) {
  edges_.feed(bytes, out.faults, [&](const Edge& edge, std::uint64_t at_byte) {
    const std::uint64_t before = counter_.pulses();
    const auto last_us = counter_.last_us();
    counter_.push(edge, at_byte, out.faults);
    if (counter_.pulses() == before) return;
    Measurement reading;
    reading.at_byte = at_byte;
    if (last_us && *counter_.last_us() > *last_us) {
      constexpr int milliwatts = 3;
      const double span_s = static_cast<double>(*counter_.last_us() - *last_us) * 1e-6;
      // Pulses that nobody saw have no instant, and lie between this one and the last.
      const auto pulses = static_cast<double>(counter_.pulses() - pulses_at_last_);
      put(reading.values, reads_, Quantity::power, pulses * ws_per_kwh / (settings_.pulses_per_kwh * span_s),
          milliwatts);
    }
    if (last_us != counter_.last_us()) pulses_at_last_ = counter_.pulses();
    put_energy(reading.values, reads_, counter_.pulses(), settings_.pulses_per_kwh);
    if (!reading.values.empty()) out.readings.push_back(reading);
  });
}

void CapturePulses::finish(Output& out) {
  if (edges_.begun() > 0)
    out.faults.push_back(
        make_fault(FaultKind::malformed, edges_.fed() - edges_.begun(), "an edge cut short at the end"));
}

}  // namespace nightwatt::drivers::s0
