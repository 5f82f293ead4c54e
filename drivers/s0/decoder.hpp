// Counts pulses and tells power and energy by them.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

#include "drivers/decoder.hpp"
#include "drivers/s0/settings.hpp"
#include "s0/edge.hpp"

namespace nightwatt::drivers::s0 {

/// Pulses out of edges. A contact bounces: closings with shorter openings between them than `shortest_off_us()` are one
/// pulse, which counts once it was closed for `shortest_on` in sum; its instant is its first closing.
class PulseCounter {
 public:
  explicit PulseCounter(const S0PulseSettings& settings)
      : shortest_on_us_(static_cast<std::uint64_t>(settings.shortest_on.count())) {}
  /// Faults: a contact that stays closed, edges that were missed.
  void push(const Edge& edge, std::uint64_t at_byte, std::vector<Fault>& faults);
  /// What the line's level was is not known any more.
  void lose_track();

  [[nodiscard]] std::uint64_t pulses() const { return pulses_; }
  [[nodiscard]] std::optional<std::uint64_t> last_us() const { return last_us_; }
  [[nodiscard]] std::optional<std::uint64_t> newest_us() const { return newest_us_; }
  /// The first closing of what may become a pulse: the contact is closed, and not yet stuck.
  [[nodiscard]] std::optional<std::uint64_t> begun_us(std::uint64_t now_us) const;

 private:
  /// One pulse as far as it has come.
  struct Closing {
    std::uint64_t first_us = 0;
    std::uint64_t closed_us = 0;  ///< in sum, up to its last opening
    std::uint64_t opened_us = 0;
    bool counted = false;
  };
  [[nodiscard]] std::uint64_t shortest_off_us() const;
  void follow_the_count(const Edge& edge, std::uint64_t at_byte, std::vector<Fault>& faults);
  void close(std::uint64_t at_us);
  void open(std::uint64_t at_us, std::uint64_t at_byte, std::vector<Fault>& faults);

  std::uint64_t shortest_on_us_;
  std::optional<std::uint64_t> on_since_us_;
  std::optional<Closing> closing_;
  std::optional<std::uint32_t> changes_;
  std::optional<std::uint64_t> newest_us_;  ///< of any edge
  std::uint64_t pulses_ = 0;
  std::optional<std::uint64_t> last_us_;  ///< leading edge of the last pulse
};

/// Cuts a stream into edges. Bytes that are none are told once, where they begin, and passed over.
class EdgeReader {
 public:
  /// `on_edge(edge, at_byte)` for each.
  template <class OnEdge>
  void feed(std::span<const std::byte> bytes, std::vector<Fault>& faults, OnEdge&& on_edge);
  /// Forgets an edge that is not whole yet.
  void start_anew() { buffer_.clear(); }
  [[nodiscard]] std::uint64_t fed() const { return fed_; }
  /// Bytes of an edge that is not whole yet.
  [[nodiscard]] std::size_t begun() const { return buffer_.size(); }

 private:
  template <class OnEdge>
  void take_edges(std::vector<Fault>& faults, OnEdge&& on_edge);

  std::vector<std::byte> buffer_;  ///< less than an edge between calls
  bool in_noise_ = false;
  std::uint64_t fed_ = 0;
};

/// Each `interval` a reading: the mean power between the last pulse of this interval and that of one before; while none
/// comes, at most what a pulse now would mean. Energy is pulses by the constant, exact.
class PulseMeter final : public Decoder {
 public:
  PulseMeter(const S0PulseSettings& settings, std::vector<ReadSpec> reads, Duration interval);
  void feed(std::span<const std::byte> bytes, Duration now, Output& out) override;
  void tick(Duration now, Output& out) override;
  [[nodiscard]] std::optional<Duration> next_tick() const override { return next_; }
  void reset(Duration now) override;

 private:
  [[nodiscard]] std::optional<double> power_w(Duration now) const;
  [[nodiscard]] std::uint64_t waited_us(Duration now) const;

  S0PulseSettings settings_;
  std::vector<ReadSpec> reads_;
  Duration interval_;
  PulseCounter counter_;
  EdgeReader edges_;
  Duration next_{};
  std::uint64_t told_pulses_ = 0;
  std::optional<std::uint64_t> told_us_;  ///< last pulse of a reading before
  std::optional<Duration> heard_at_;      ///< when the last pulse was heard of, by the decoder's clock
  double held_w_ = 0.0;                   ///< of the last interval with pulses
  bool has_power_ = false;
};

/// Edges that were captured: a reading a pulse.
class CapturePulses final : public CaptureDecoder {
 public:
  CapturePulses(const S0PulseSettings& settings, std::vector<ReadSpec> reads)
      : settings_(settings), reads_(std::move(reads)), counter_(settings) {}
  void feed(std::span<const std::byte> bytes, Output& out) override;
  void finish(Output& out) override;

 private:
  S0PulseSettings settings_;
  std::vector<ReadSpec> reads_;
  PulseCounter counter_;
  EdgeReader edges_;
  std::uint64_t pulses_at_last_ = 0;  ///< counted when the last one with an instant was
};

}  // namespace nightwatt::drivers::s0
