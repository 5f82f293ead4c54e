// Recorded traces as CSV with `# truth:` lines, and the rules by which segments are scored on them.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "measure/segment/segmenter.hpp"

namespace nightwatt::bench {

struct Trace {
  std::string name;
  std::vector<double> truth_s;  ///< begin and end of each load window in turn
  std::vector<std::pair<UtcTime, double>> readings;
};

/// Readings below `missing_below` are the meter's drop-out code and left out.
[[nodiscard]] Trace read_trace(const std::string& path, double missing_below);
[[nodiscard]] std::vector<std::string> trace_paths(const std::string& folder);

[[nodiscard]] Classified segment(const Trace& trace, const SegmenterSettings& settings);

struct TraceScore {
  int edges = 0;
  int within_5_s = 0;
  int within_2_s = 0;
  int boundaries = 0;
  int steady = 0;
  std::vector<double> missed_s;     ///< edges not within 2 s
  double least_window_share = 1.0;  ///< of the load windows: the share in one plateau
};

/// An edge is found when a boundary lies from `tolerance` before to `tolerance` + 1 s after it (the meter lags the
/// log), or a ramp or unsteady segment of at most 30 s holds it.
[[nodiscard]] TraceScore score(const Trace& trace, const std::vector<Segment>& segments);

}  // namespace nightwatt::bench
