// The segmenter's own record of one stretch. Only measure/ looks inside.
#pragma once

#include <cstdint>
#include <optional>

#include "measure/signal/time.hpp"
#include "measure/uncertainty/level_sketch.hpp"

namespace nightwatt {

/// What the curve does in a stretch; what the device does (the kind) is classify()'s to say.
/// `decay`: a curve that falls far and slowly towards a limit, as a battery's charging power does.
enum class RegimeShape : std::uint8_t { steady, ramp, unsteady, gap, decay };

/// A curve that settles: P_inf + A exp(-t / tau).
struct Settling {
  double limit_w = 0.0;
  double tau_s = 0.0;
  double time_s = 0.0;  ///< until within max(1 %, two display steps) of the limit
  bool ended = false;   ///< that time lies inside the stretch
  friend bool operator==(const Settling&, const Settling&) = default;
};

/// How level_figure() reckons; one more with each change that moves a figure, so that those kept are made anew.
constexpr std::uint8_t figure_algorithm_version = 10;

/// The figure of a steady stretch, made once, when it became final: so figures of a year are read, not reckoned. Good
/// as long as the display step is what it was. It leaves the meter's accuracy out and takes the display to round.
struct LevelFigure {
  std::uint8_t algorithm_version = 0;  ///< figure_algorithm_version then
  double step_w = 0.0;                 ///< for which it was made
  double level_w = 0.0;                ///< see level_budget()
  double shown_w = 0.0;                ///< mean of the readings as they are, over the same time
  double random_w = 0.0;  ///< standard uncertainty by chance: what another stretch of the same level does not share
  double random_degrees_of_freedom = 0.0;
  double systematic_w = 0.0;  ///< standard uncertainty that the display leaves: the same in the next stretch
  double drift_w_per_h = 0.0;
  std::optional<Settling> settling;
  friend bool operator==(const LevelFigure&, const LevelFigure&) = default;
};

/// Of a stretch that cycles: its whole cycles, the first and last phase left out.
struct Cycles {
  std::int64_t n = 0;
  double mean_w = 0.0;         ///< over their time
  double uncertainty_w = 0.0;  ///< standard, of that mean by the scatter of the single cycles' means
  friend bool operator==(const Cycles&, const Cycles&) = default;
};

/// What is needed of a sketch by those who make no budget from it.
struct SketchDigest {
  double mean_w = 0.0;                ///< of the readings
  double standard_deviation_w = 0.0;  ///< root of their mean squared distance from it
  std::int64_t counter_step_uwh = 0;  ///< LevelSketch::tick_step_uwh()
  friend bool operator==(const SketchDigest&, const SketchDigest&) = default;
};

/// One piece of the record between two final boundaries, with what is needed to quote figures for it later, bounded in
/// size however long it lasts. Its insides are the segmenter's own; the store keeps it as bytes.
class Regime {
 public:
  UtcTime begin;
  UtcTime end;
  RegimeShape shape = RegimeShape::unsteady;
  double begin_uncertainty_s = 0.0;  ///< k = 2
  double end_uncertainty_s = 0.0;
  std::int64_t samples = 0;  ///< readings, excursions counted
  double energy_ws = 0.0;    ///< trapezoids, the way to the next stretch's first reading counted; none across a gap
  double covered_s = 0.0;    ///< time under energy_ws
  double lowest_w = 0.0;
  double highest_w = 0.0;
  std::int64_t excursions = 0;
  std::optional<double> duty;  ///< of a cycling stretch
  std::optional<Cycles> cycles;
  double line_begin_w = 0.0;  ///< of a ramp: its least-squares line at begin and end
  double line_end_w = 0.0;
  LevelSketch sketch;
  std::optional<SketchDigest> without_sketch;  ///< in place of the sketch, where that was left in the store
  std::optional<LevelFigure> figure;

  [[nodiscard]] SketchDigest digest() const;
  /// Whether the level's figure is the one that would be made today, for this display step.
  [[nodiscard]] bool has_figure_for(double step_w) const;
  /// A level for which it has to be made anew, from the sketch.
  [[nodiscard]] bool wants_figure_for(double step_w) const;
  /// The fields with the whole sketch, once for save and restore.
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self);
  friend bool operator==(const Regime&, const Regime&) = default;
};

}  // namespace nightwatt
