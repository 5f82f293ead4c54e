// The live and the capture side of text-line.
#pragma once

#include <optional>
#include <string>

#include "drivers/decoder.hpp"
#include "text/line.hpp"
#include "text/splitter.hpp"

namespace nightwatt::drivers::text {

/// A meter that speaks by itself. The first line after opening is most likely a half one, and half a number is a wrong
/// number: it is dropped without a word unless its form, or a long silence before it, proves it whole. So is what
/// follows a pause within a line.
class LiveDecoder final : public Decoder {
 public:
  LiveDecoder(LineReader reader, bool on_change) : on_change_(on_change), reader_(std::move(reader)) {}
  void feed(std::span<const std::byte> bytes, Duration now, Output& out) override;
  void tick(Duration, Output&) override {}
  [[nodiscard]] std::optional<Duration> next_tick() const override { return std::nullopt; }
  void reset(Duration now) override;

 private:
  bool on_change_;
  LineReader reader_;
  LineSplitter lines_;
  bool first_ = true;
  std::optional<Duration> opened_at_;  ///< until the first byte
  Duration last_byte_{};
};

/// A captured stream. Its first line is taken where the next good one shows that it is whole.
class CaptureLines final : public CaptureDecoder {
 public:
  explicit CaptureLines(LineReader reader) : reader_(std::move(reader)) {}
  void feed(std::span<const std::byte> bytes, Output& out) override;
  void finish(Output& out) override;

 private:
  void on_line(const LineSplitter::Line& line, Output& out);
  void on_line_without_end(const LineSplitter::Line& line, Output& out);
  void settle_first(std::string_view whole, Output& out);

  LineReader reader_;
  LineSplitter lines_;
  bool first_ = true;
  std::optional<std::string> held_;  ///< the first line, until a good one came
  std::uint64_t held_at_ = 0;
  int since_held_ = 0;
};

}  // namespace nightwatt::drivers::text
