// Holds what the measure library finds in a night against what is true of it.
#pragma once

#include "measure/run/summary.hpp"
#include "measure/segment/segmenter.hpp"
#include "night.hpp"

namespace nightwatt::nights {

struct Found {
  std::vector<Segment> segments;
  Summary summary;
};

/// Segments and figures of a record, in memory, as an import makes them.
[[nodiscard]] Found find(const std::vector<std::pair<std::int64_t, double>>& readings,
                         const SegmenterSettings& settings);
[[nodiscard]] SegmenterSettings settings_of(const Meter& meter);

/// The figures that the code under test has; those that it has not yet are not
/// counted.
[[nodiscard]] std::optional<Figure> figure_of(const Summary& summary, FigureName name);

/// What a figure may miss the truth by, whatever its own uncertainty says:
/// max(1.5 %, 0.2 step, 0.03 W).
[[nodiscard]] double tolerance_w(double true_w, double step_w);

struct FigureScore {
  int judged = 0;
  int missing = 0;
  int wrong = 0;  ///< off by more than its own uncertainty and by more than the
                  ///< tolerance, or given where there is none
  int vague = 0;  ///< right only because its uncertainty is above max(5 %, 1.2
                  ///< steps, 0.1 W)
  void add(const FigureScore& other);
};

struct Score {
  int nights = 0;
  std::int64_t readings = 0;
  std::array<FigureScore, figure_count> figures;
  FigureScore levels;  ///< of true segments, whatever their kind
  double judged_s = 0.0;
  double right_s = 0.0;
  void add(const Score& other);
  [[nodiscard]] int failures() const;  ///< wrong and missing figures
};

[[nodiscard]] Score score(const Night& night, const Found& found);

}  // namespace nightwatt::nights
