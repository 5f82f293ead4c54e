// What a steady stretch's level is quoted from, made once when the stretch is final.
#pragma once

#include <optional>
#include <span>

#include "measure/signal/meter_profile.hpp"
#include "measure/uncertainty/regime.hpp"

namespace nightwatt {

/// nullopt for a stretch that is not steady or holds no reading.
[[nodiscard]] std::optional<LevelFigure> level_figure(const Regime& regime, double step_w, Rounding rounding);

/// Standard uncertainty of the mean of equally weighted bins from their scatter and that of the readings in them, the
/// few degrees of freedom made good so that twice it covers 95.45 %.
[[nodiscard]] double statistical_uncertainty(std::span<const SketchBin> bins);

}  // namespace nightwatt
