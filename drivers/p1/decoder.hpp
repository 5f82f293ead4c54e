// The live and the capture side of dsmr-p1.
#pragma once

#include <cstdint>
#include <optional>

#include "drivers/decoder.hpp"
#include "obis.hpp"
#include "read_out.hpp"
#include "telegram.hpp"

namespace nightwatt::drivers::p1 {

/// Telegrams to readings: one each, at the telegram's end.
///
/// From version 4 on a telegram has a check. One without it is of version 2.2 or 3 and counts by its form alone: every
/// line must be of data sets, and the layout that of the one before. It does not count where a meter has shown checks
/// before, or says a version that has them: then the check was lost.
class TelegramReader {
 public:
  explicit TelegramReader(obis::RegisterPlan plan) : plan_(std::move(plan)) {}
  void feed(std::span<const std::byte> bytes, Output& out);
  void finish(Output& out);
  void forget();

 private:
  void read(const Telegram& telegram, Output& out);
  [[nodiscard]] bool counts_unchecked(const Telegram& telegram, const ReadOut& read_out, Output& out);

  obis::RegisterPlan plan_;
  TelegramFramer framer_;
  LayoutOfReadOuts layout_;
  bool has_checks_ = false;
  bool parity_told_ = false;
};

class LiveTelegrams final : public Decoder {
 public:
  explicit LiveTelegrams(obis::RegisterPlan plan) : reader_(std::move(plan)) {}
  void feed(std::span<const std::byte> bytes, Duration, Output& out) override { reader_.feed(bytes, out); }
  void tick(Duration, Output&) override {}
  [[nodiscard]] std::optional<Duration> next_tick() const override { return std::nullopt; }
  void reset(Duration) override { reader_.forget(); }

 private:
  TelegramReader reader_;
};

class CaptureTelegrams final : public CaptureDecoder {
 public:
  explicit CaptureTelegrams(obis::RegisterPlan plan) : reader_(std::move(plan)) {}
  void feed(std::span<const std::byte> bytes, Output& out) override { reader_.feed(bytes, out); }
  void finish(Output& out) override { reader_.finish(out); }

 private:
  TelegramReader reader_;
};

}  // namespace nightwatt::drivers::p1
