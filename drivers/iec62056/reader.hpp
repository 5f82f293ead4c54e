// Read-outs of IEC 62056-21 to readings; shared by the live and the capture side.
#pragma once

#include <optional>
#include <string>

#include "drivers/decoder.hpp"
#include "iec62056/framer.hpp"
#include "obis.hpp"
#include "read_out.hpp"

namespace nightwatt::drivers::iec62056 {

/// A data block counts by its check; a read-out without one by its form and by looking like the one before, unless the
/// meter has shown that it sends blocks.
class BlockReader {
 public:
  explicit BlockReader(obis::RegisterPlan plan) : plan_(std::move(plan)) {}
  /// Whether the frame, a block or an unframed read-out, was good; adds its reading and faults.
  bool read(const Frame& frame, std::optional<Duration> at, Output& out);
  void forget() {
    layout_.forget();
    has_blocks_ = false;
  }

 private:
  void notification_errors(const ReadOut& read_out, const Frame& frame, Output& out);

  obis::RegisterPlan plan_;
  LayoutOfReadOuts layout_;
  bool has_blocks_ = false;
  std::string fatal_;  ///< what F.F said last
  bool parity_told_ = false;
};

}  // namespace nightwatt::drivers::iec62056
