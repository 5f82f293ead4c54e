// Notices that a profile does not fit what a port says, and says what it looks like instead.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "drivers/decoder.hpp"

namespace nightwatt::drivers {

/// Bytes that have come without a reading. Once there was one, the profile fits and nothing is kept.
class UnreadBytes {
 public:
  explicit UnreadBytes(std::string protocol) : protocol_(std::move(protocol)) {}
  void add(std::span<const std::byte> bytes);
  void forget() { bytes_.clear(); }
  [[nodiscard]] std::size_t size() const { return bytes_.size(); }
  /// "no reading out of 4096 bytes: this looks like ..., and the profile says ...".
  [[nodiscard]] Fault fault(std::uint64_t at_byte) const;

  /// Enough to know any protocol by: a P1 telegram has a thousand, four of them.
  static constexpr std::size_t limit = 4096;

 private:
  std::string protocol_;
  std::vector<std::byte> bytes_;
};

/// A live decoder that is watched. After so many bytes without a reading, or so long with a few, one fault; the next
/// after eight times as much.
class WatchedDecoder final : public Decoder {
 public:
  WatchedDecoder(std::unique_ptr<Decoder> decoder, std::string protocol)
      : decoder_(std::move(decoder)), unread_(std::move(protocol)) {}
  void feed(std::span<const std::byte> bytes, Duration now, Output& out) override;
  void tick(Duration now, Output& out) override;
  [[nodiscard]] std::optional<Duration> next_tick() const override { return decoder_->next_tick(); }
  void reset(Duration now) override;

 private:
  void tell(Output& out);
  void note_readings(std::size_t before, const Output& out);

  std::unique_ptr<Decoder> decoder_;
  UnreadBytes unread_;
  bool fits_ = false;
  std::optional<Duration> since_;
  Duration heard_at_{};
  std::uint64_t fed_ = 0;
  std::uint64_t unread_limit_ = UnreadBytes::limit;  ///< bytes without a reading before it is told
  std::uint64_t without_ = 0;
};

/// The same for a capture: told at its end, where it gave neither a reading nor a fault, or a lot of bytes no reading.
class WatchedCapture final : public CaptureDecoder {
 public:
  WatchedCapture(std::unique_ptr<CaptureDecoder> decoder, std::string protocol)
      : decoder_(std::move(decoder)), unread_(std::move(protocol)) {}
  void feed(std::span<const std::byte> bytes, Output& out) override;
  void finish(Output& out) override;

 private:
  void note(std::size_t readings, std::size_t faults, const Output& out);

  std::unique_ptr<CaptureDecoder> decoder_;
  UnreadBytes unread_;
  bool fits_ = false;
  bool faulty_ = false;
};

}  // namespace nightwatt::drivers
