// What the page shows of the running service, as values that one thread hands to another.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "daemon/control_request.hpp"
#include "daemon/store_pipeline.hpp"
#include "measure/run/summary.hpp"
#include "measure/segment/segment.hpp"
#include "storage/store.hpp"

namespace nightwatt::daemon::page {

struct FlushCounts {
  std::array<std::uint64_t, FlushTimes::upto_ms.size() + 1> counts{};
  double sum_s = 0.0;
};
[[nodiscard]] FlushCounts counts_of(const FlushTimes& times);

/// The loop's answer to "how is it going?".
struct State {
  ServiceStatus service;
  UtcTime now;                                ///< as shown to people
  std::vector<std::vector<LivePoint>> fresh;  ///< for each meter, since the last time it was asked
  std::uint64_t queue_limit = 0;
  FlushCounts flushes;
};

/// An open run as the store has it by now.
struct OpenRun {
  storage::RunId run = 0;
  std::string meter;
  std::optional<std::string> device;
  std::string note;
  UtcTime begin;  ///< this and the other instants as shown to people
  std::optional<SegmentKind> kind;
  UtcTime kind_since;
  std::optional<double> level_w, uncertainty_w;
  bool settling = false;            ///< a settling curve has not ended: the level is not settled
  std::vector<NamedFigure> so_far;  ///< of the whole run; they may still change
  std::optional<double> energy_wh;
  struct MarkLine {
    UtcTime at;
    std::string text;
    std::optional<SegmentKind> kind;
  };
  std::vector<MarkLine> marks;  ///< the newest, oldest first
};

}  // namespace nightwatt::daemon::page
