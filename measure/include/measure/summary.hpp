// The figures of one run, made of its segments and totals: the outside contract's `summary`.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "measure/run_totals.hpp"
#include "measure/segment.hpp"

namespace nightwatt {

struct Figure {
  double value = 0.0;
  double uncertainty = 0.0;              ///< expanded, k = 2
  std::optional<LevelParts> parts = {};  ///< of it, where they are known
};

struct Summary {
  std::int64_t samples = 0;
  double gap_s = 0.0;
  std::optional<double> energy_wh;
  std::optional<double> counter_wh;
  std::optional<Figure> idle;  ///< all idle segments, weighted by length; their spread counts
  std::optional<Figure> standby;
  std::optional<Figure> load;  ///< the highest plateau held for two minutes or more; else the highest
  std::optional<double> peak_w;
  std::array<int, segment_kind_count> segments{};  ///< count by SegmentKind
  std::vector<std::string> warnings;
};

/// `clock_steps`: how many times the machine's calendar jumped during the run (a warning each).
[[nodiscard]] Summary summarise(std::span<const Segment> segments, const RunTotals& totals,
                                std::span<const std::string> segment_warnings, int clock_steps);

/// `25.02 ± 0.21 W`: value rounded to its uncertainty, two significant digits of uncertainty (GUM 7.2.6).
[[nodiscard]] std::string figure_text(const Figure& figure, std::string_view unit);

}  // namespace nightwatt
