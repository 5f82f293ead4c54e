#include "uncertainty/level_pieces.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "measure/uncertainty/statistics.hpp"

namespace nightwatt {

namespace {

/// What of the first third lies further off than this many deviations of the bins after it had not settled.
constexpr double settled_deviations = 5.0;

/// How far a bin of the quoted part may be from their median.
struct Usual {
  double median = 0.0;
  double limit = std::numeric_limits<double>::infinity();
  [[nodiscard]] bool holds(const BinView& view) const { return std::abs(view.bin->mean - median) <= limit; }
};

Usual usual_of(const std::vector<BinView>& views, double step_w) {
  std::vector<double> means, off;
  for (const BinView& view : views) means.push_back(view.bin->mean);
  Usual usual{median_of(means)};
  for (const double mean : means) off.push_back(std::abs(mean - usual.median));
  usual.limit = excursion_deviations * std::max(1.4826 * median_of(std::move(off)), step_w);
  return usual;
}

/// Whether the third before is of the same level: a device that warms up says nothing of the noise after it.
bool settled(const LevelPieces& pieces) {
  Moments moments;
  for (const BinView& view : pieces.quoted) moments.add(view.bin->mean);
  return std::all_of(pieces.early.begin(), pieces.early.end(), [&](const BinView& view) {
    return std::abs(view.bin->mean - moments.mean()) <= settled_deviations * moments.standard_deviation();
  });
}

/// All bins, those of the first third in `early`.
LevelPieces all_of(const Regime& regime) {
  const std::vector<SketchBin>& all = regime.sketch.bins();
  LevelPieces pieces;
  const UtcTime from = regime.begin + Duration((regime.end - regime.begin).count() / 3);
  std::size_t first = 0;
  // Of three readings none is to spare.
  while (all.size() > 3 && first + 1 < all.size() && regime.sketch.bin_begin(all[first]) < from) ++first;
  const Duration width = to_duration({regime.sketch.width_s()});
  for (std::size_t i = 0; i < all.size(); ++i) {
    const UtcTime begin = regime.sketch.bin_begin(all[i]);
    const UtcTime end = std::max(begin, std::min(begin + width, regime.end));
    (i < first ? pieces.early : pieces.quoted)
        .push_back({&all[i], to_seconds(begin - regime.begin).value + 0.5 * to_seconds(end - begin).value, false});
  }
  return pieces;
}

/// Where few are excursions.
std::vector<BinView> without_excursions(const std::vector<BinView>& views, double step_w) {
  const Usual usual = usual_of(views, step_w);
  const auto outside =
      std::count_if(views.begin(), views.end(), [&](const BinView& view) { return !usual.holds(view); });
  if (static_cast<double>(outside) > excursion_share * static_cast<double>(views.size())) return views;
  std::vector<BinView> kept;
  bool left_out = false;
  for (const BinView& view : views) {
    if (!usual.holds(view)) {
      left_out = true;
      continue;
    }
    kept.push_back(view);
    kept.back().broken_before = std::exchange(left_out, false);
  }
  return kept;
}

}  // namespace

LevelPieces level_pieces(const Regime& regime, double step_w) {
  if (regime.sketch.bins().empty()) return {};
  LevelPieces pieces = all_of(regime);
  pieces.quoted = without_excursions(pieces.quoted, step_w);
  if (!settled(pieces)) pieces.early.clear();
  return pieces;
}

}  // namespace nightwatt
