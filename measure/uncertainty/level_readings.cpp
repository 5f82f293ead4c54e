#include "uncertainty/level_readings.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "measure/uncertainty/quick_noise.hpp"

namespace nightwatt {

namespace {

/// From here on rounding is as good as a little more noise: its bias is below 1e-8 of a step (Widrow, Kollar & Liu
/// 1996).
constexpr double dithered_steps = 1.0;
/// A creeping level is still where few readings lie further from the line than this many steps.
constexpr double still_reach = 0.65;
constexpr double still_share = 0.005;

template <class Value, class Make>
const Value& once(std::optional<Value>& kept, Make&& make) {
  if (!kept) kept.emplace(make());
  return *kept;
}

}  // namespace

LevelReadings::LevelReadings(const Regime& regime, double step_w, Rounding rounding)
    : regime_(regime), step_w_(step_w), rounding_(rounding) {
  LevelPieces pieces = level_pieces(regime, step_w);
  if (pieces.quoted.empty()) return;
  scatter_ = level_scatter(pieces, quick_noise_of(regime.sketch, step_w));
  views_ = std::move(pieces.quoted);
}

bool LevelReadings::below_step() const {
  return step_w_ > 0.0 && scatter_.standard_deviation_w < dithered_steps * step_w_;
}

double LevelReadings::length_s() const {
  return std::max(1e-6, to_seconds(regime_.end - regime_.begin).value);
}

double LevelReadings::covered_s() const {
  double covered = 0.0;
  for (const BinView& view : views_) covered += view.bin->covered_s;
  return covered;
}

const std::optional<std::vector<ViewCounts>>& LevelReadings::counts() const {
  return once(counts_, [&] { return view_counts(regime_.sketch, views_, scatter_, step_w_); });
}

const std::vector<CountGroup>& LevelReadings::groups() const {
  return once(groups_, [&] { return count_groups(*counts(), views_, scatter_, step_w_); });
}

QuantisedLevel LevelReadings::behind(Dither dither) const {
  return quantised_level(groups(), scatter_.inflation, scatter_.degrees_of_freedom, rounding_ == Rounding::truncates,
                         dither);
}

const QuantisedLevel& LevelReadings::behind_counts() const {
  return once(behind_counts_, [&] { return behind(Dither::none); });
}

const QuantisedLevel& LevelReadings::behind_dither() const {
  return once(behind_dither_, [&] { return behind(Dither::whole_step); });
}

double LevelReadings::dither_evidence() const {
  return log_evidence(groups(), scatter_.inflation, behind_dither(), Dither::whole_step) -
         log_evidence(groups(), scatter_.inflation, behind_counts(), Dither::none);
}

const std::optional<Creep>& LevelReadings::creep() const {
  return once(creep_, [&] { return counts() ? find_creep() : std::nullopt; });
}

/// Each count is left once, and over a whole count the errors of rounding cancel.
std::optional<Creep> LevelReadings::find_creep() const {
  std::int64_t low = std::numeric_limits<std::int64_t>::max(), high = std::numeric_limits<std::int64_t>::min();
  double off = 0.0;
  std::size_t mixed = 0;
  const double reach = still_reach + 0.5 * std::abs(scatter_.slope_w_per_s) * regime_.sketch.width_s() / step_w_;
  for (std::size_t i = 0; i < views_.size(); ++i) {
    const ViewCounts& counts = (**counts_)[i];
    if (counts.size() > 1) ++mixed;
    const double line = (scatter_.mean_w + scatter_.slope_w_per_s * (views_[i].at_s - scatter_.centre_s)) / step_w_;
    for (const auto& [count, n] : counts) {
      low = std::min(low, count);
      high = std::max(high, count);
      if (std::abs(static_cast<double>(count) - line) > reach) off += n;
    }
  }
  // One step may be slow noise; a staircase along a line is a drift, however few steps leave its slope unsure.
  if (high <= low || (high == low + 1 && !scatter_.drifts)) return std::nullopt;
  if (2 * mixed > views_.size() || mixed > 2 * static_cast<std::size_t>(high - low)) return std::nullopt;
  if (off > still_share * scatter_.readings) return std::nullopt;
  return Creep{high - low + 1};
}

}  // namespace nightwatt
