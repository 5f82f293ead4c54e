// What is known of the readings of one level, for the hypotheses of what its display did.
#pragma once

#include <optional>
#include <vector>

#include "measure/signal/meter_profile.hpp"
#include "measure/uncertainty/quantised_level.hpp"
#include "uncertainty/level_pieces.hpp"
#include "uncertainty/level_scatter.hpp"
#include "uncertainty/view_counts.hpp"

namespace nightwatt {

/// A level that creeps over counts without noise.
struct Creep {
  std::int64_t counts = 0;  ///< shown
};

/// What costs time is reckoned when first asked for.
class LevelReadings {
 public:
  LevelReadings(const Regime& regime, double step_w, Rounding rounding);

  [[nodiscard]] bool none() const { return scatter_.readings < 1.0; }
  [[nodiscard]] const LevelSketch& sketch() const { return regime_.sketch; }
  [[nodiscard]] const std::vector<BinView>& views() const { return views_; }
  [[nodiscard]] const LevelScatter& scatter() const { return scatter_; }
  [[nodiscard]] double step_w() const { return step_w_; }
  [[nodiscard]] Rounding rounding() const { return rounding_; }
  [[nodiscard]] double independent() const { return scatter_.readings / scatter_.inflation; }

  /// From one step of noise on rounding is as good as a little more noise.
  [[nodiscard]] bool below_step() const;
  /// What is added to what the display shows, where it is told to cut off.
  [[nodiscard]] double cut_off_w() const { return rounding_ == Rounding::truncates ? 0.5 * step_w_ : 0.0; }
  [[nodiscard]] double time_mean_w() const { return scatter_.time_mean_w + cut_off_w(); }
  [[nodiscard]] double length_s() const;   ///< of the whole stretch
  [[nodiscard]] double covered_s() const;  ///< of the quoted part, between its readings

  [[nodiscard]] const std::optional<std::vector<ViewCounts>>& counts() const;  ///< see view_counts()
  [[nodiscard]] const std::vector<CountGroup>& groups() const;                 ///< of counts(), which are known
  [[nodiscard]] const QuantisedLevel& behind_counts() const;                   ///< of groups(), Gaussian noise
  [[nodiscard]] const QuantisedLevel& behind_dither() const;                   ///< of groups(), a meter that dithers
  /// How much likelier the counts are for a meter that dithers than for Gaussian noise, as logarithm.
  [[nodiscard]] double dither_evidence() const;
  [[nodiscard]] const std::optional<Creep>& creep() const;  ///< of counts(), where they are known

 private:
  [[nodiscard]] std::optional<Creep> find_creep() const;
  [[nodiscard]] QuantisedLevel behind(Dither dither) const;
  const Regime& regime_;
  double step_w_;
  Rounding rounding_;
  std::vector<BinView> views_;
  LevelScatter scatter_;
  mutable std::optional<std::optional<std::vector<ViewCounts>>> counts_;
  mutable std::optional<std::vector<CountGroup>> groups_;
  mutable std::optional<QuantisedLevel> behind_counts_, behind_dither_;
  mutable std::optional<std::optional<Creep>> creep_;
};

}  // namespace nightwatt
