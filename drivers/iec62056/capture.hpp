// The capture side of iec62056-21.
#pragma once

#include "drivers/decoder.hpp"
#include "iec62056/reader.hpp"

namespace nightwatt::drivers::iec62056 {

/// A captured dialogue, or one side of it: each read-out that is good is a reading.
class CaptureReadOuts final : public CaptureDecoder {
 public:
  explicit CaptureReadOuts(obis::RegisterPlan plan) : reader_(std::move(plan)) {}
  void feed(std::span<const std::byte> bytes, Output& out) override;
  void finish(Output& out) override;

 private:
  void on_frame(const Frame& frame, Output& out);

  Framer framer_;
  BlockReader reader_;
};

}  // namespace nightwatt::drivers::iec62056
