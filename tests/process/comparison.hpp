// Compares what a simulated meter sent with what the store holds.
#pragma once

#include <string>
#include <vector>

#include "harness.hpp"

namespace nightwatt::process {

struct Comparison {
  std::string problem;                  ///< empty: every stored reading is one the meter sent, in order, once, on time
  std::vector<const SentFrame*> found;  ///< for each stored reading, the frame it is
};

/// `late_s`: how much later than sent a reading may be stamped.
[[nodiscard]] Comparison compare(const std::vector<SentFrame>& sent, const std::vector<StoredReading>& stored,
                                 double late_s);

/// Readable frames sent in [from, to) of real time that are not stored.
[[nodiscard]] std::vector<const SentFrame*> not_stored(const std::vector<SentFrame>& sent, const Comparison& comparison,
                                                       double from_unix_s, double to_unix_s);

}  // namespace nightwatt::process
