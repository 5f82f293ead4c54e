// The live and the capture side of SML: the meter speaks by itself.
#pragma once

#include <optional>

#include "drivers/decoder.hpp"
#include "drivers/sml/settings.hpp"
#include "obis.hpp"
#include "sml/transport.hpp"

namespace nightwatt::drivers::sml {

/// Files to readings: one for each file whose checks are good.
class FileStream {
 public:
  FileStream(obis::RegisterPlan plan, SmlSettings settings) : plan_(std::move(plan)), settings_(settings) {}
  void feed(std::span<const std::byte> bytes, Output& out);
  void finish(Output& out);
  void forget() { transport_.forget(); }

 private:
  void take(const Piece& piece, Output& out) const;
  void take_file(const Piece& piece, Output& out) const;

  obis::RegisterPlan plan_;
  SmlSettings settings_;
  Transport transport_;
};

class LiveDecoder final : public Decoder {
 public:
  explicit LiveDecoder(FileStream files) : files_(std::move(files)) {}
  void feed(std::span<const std::byte> bytes, Duration, Output& out) override { files_.feed(bytes, out); }
  void tick(Duration, Output&) override {}
  [[nodiscard]] std::optional<Duration> next_tick() const override { return std::nullopt; }
  void reset(Duration) override { files_.forget(); }

 private:
  FileStream files_;
};

class CaptureFiles final : public CaptureDecoder {
 public:
  explicit CaptureFiles(FileStream files) : files_(std::move(files)) {}
  void feed(std::span<const std::byte> bytes, Output& out) override { files_.feed(bytes, out); }
  void finish(Output& out) override { files_.finish(out); }

 private:
  FileStream files_;
};

}  // namespace nightwatt::drivers::sml
