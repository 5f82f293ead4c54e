// The figures of one run, made of its segments and totals: the outside contract's `summary`.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "measure/run/baseline.hpp"
#include "measure/run/run_totals.hpp"
#include "measure/segment/segment.hpp"
#include "measure/segment/states.hpp"
#include "measure/uncertainty/figure.hpp"

namespace nightwatt {

/// A figure that the run cannot give, and why.
struct MissingFigure {
  std::string_view name;  ///< "idle", "standby", "load", "sustained", "baseline"
  std::string why;
};

struct Summary {
  std::int64_t samples = 0;
  double gap_s = 0.0;
  std::optional<double> energy_wh;
  std::optional<double> counter_wh;
  std::optional<Figure> idle;       ///< of the idle state held longest
  std::optional<Figure> standby;    ///< of the standby state held longest
  std::optional<Figure> load;       ///< the highest plateau held for two minutes or more; else the highest
  std::optional<Figure> sustained;  ///< the plateau at which the longest unbroken work ended; see sustained_load()
  std::optional<Figure> baseline;   ///< mean power of the longest span at idle; see baseline_of()
  std::optional<double> peak_w;
  std::vector<LevelState> states;                  ///< lowest first
  std::optional<Baseline> idling;                  ///< what `baseline` is of
  std::array<int, segment_kind_count> segments{};  ///< count by SegmentKind
  std::vector<MissingFigure> missing;              ///< of the five figures, those that are absent
  std::vector<std::string> warnings;
};

/// `clock_steps`: how many times the machine's calendar jumped during the run (a warning each).
[[nodiscard]] Summary summarise(std::span<const Segment> segments, const RunTotals& totals,
                                std::span<const std::string> segment_warnings, int clock_steps,
                                const RunMeter& meter = {});

/// Of the five, whether a table gains by showing `more` beside `plain`: sustained beside load, baseline beside idle.
[[nodiscard]] bool differ(const std::optional<Figure>& more, const std::optional<Figure>& plain);

/// The figures that the run has, in the order in which people read them; sustained and baseline where they differ from
/// load and idle.
struct NamedFigure {
  std::string_view name;
  Figure figure;
};
[[nodiscard]] std::vector<NamedFigure> shown_figures(const Summary& summary);

/// The absent figures' reasons, as the warnings that a document lists: `no standby: ...`.
[[nodiscard]] std::vector<std::string> missing_texts(const Summary& summary);

}  // namespace nightwatt
