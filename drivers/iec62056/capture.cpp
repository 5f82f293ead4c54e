#include "iec62056/capture.hpp"

namespace nightwatt::drivers::iec62056 {

void CaptureReadOuts::feed(std::span<const std::byte> bytes, Output& out) {
  for (const std::byte byte : bytes) framer_.feed(byte, [&](const Frame& frame) { on_frame(frame, out); });
}

void CaptureReadOuts::finish(Output& out) {
  framer_.finish([&](const Frame& frame) { on_frame(frame, out); });
}

void CaptureReadOuts::on_frame(const Frame& frame, Output& out) {
  if (frame.kind == FrameKind::damaged) out.faults.push_back(frame.fault);
  if (frame.kind == FrameKind::block || frame.kind == FrameKind::unframed) reader_.read(frame, std::nullopt, out);
}

}  // namespace nightwatt::drivers::iec62056
