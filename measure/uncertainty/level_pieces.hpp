// Which bins of a stretch its level is quoted from: the last two thirds in time without excursions.
#pragma once

#include <vector>

#include "measure/uncertainty/regime.hpp"

namespace nightwatt {

/// What lies this many deviations (of the middle half, as if normal) from the median is an excursion, where few are.
constexpr double excursion_deviations = 6.0;
constexpr double excursion_share = 0.1;

/// One bin of the quoted part.
struct BinView {
  const SketchBin* bin = nullptr;
  double at_s = 0.0;           ///< its middle, from the stretch's begin
  bool broken_before = false;  ///< a bin was left out between this and the one before
  [[nodiscard]] double n() const { return static_cast<double>(bin->n); }
};

/// The last two thirds in time, bins that an excursion spoils left out; and the third before, which tells of the noise.
struct LevelPieces {
  std::vector<BinView> quoted, early;
};

[[nodiscard]] LevelPieces level_pieces(const Regime& regime, double step_w);

}  // namespace nightwatt
