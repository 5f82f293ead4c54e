#include "uncertainty/level_scatter.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

#include "measure/uncertainty/distributions.hpp"
#include "measure/uncertainty/level_budget.hpp"
#include "measure/uncertainty/long_run.hpp"
#include "measure/uncertainty/statistics.hpp"

namespace nightwatt {

namespace {

/// A slope this many of its own uncertainties from zero is the level's drift and not its noise.
constexpr double drift_significance = 4.0;
/// Correlation counts where it makes the interval wider than that of independent readings by more than this.
constexpr double least_widening = 1.05;

double interval_s(const SketchBin& bin) {
  return bin.n > 0 ? bin.covered_s / static_cast<double>(bin.n) : 0.0;
}

/// Of the bins' means about the level or its slope, and of the readings in them.
class ScatterMaker {
 public:
  /// `quick_noise`: see quick_noise_of().
  ScatterMaker(const LevelPieces& pieces, std::span<const QuickNoise> quick_noise)
      : views_(pieces.quoted), early_(pieces.early), quick_noise_(quick_noise) {}

  LevelScatter make() {
    means();
    judge(false, 0.0, out_.standard_deviation_w, out_.inflation, out_.degrees_of_freedom);
    slope();
    return out_;
  }

 private:
  void means() {
    double covered = 0.0, integral = 0.0, at = 0.0, time_at = 0.0;
    const double about = views_.front().bin->mean;
    for (const BinView& view : views_) {
      out_.readings += view.n();
      out_.mean_w += view.n() * (view.bin->mean - about);
      at += view.n() * view.at_s;
      covered += view.bin->covered_s;
      integral += view.bin->integral_ws - about * view.bin->covered_s;
      time_at += view.bin->covered_s * (view.at_s - 0.5 * interval_s(*view.bin));
    }
    const double n = std::max(1.0, out_.readings);
    out_.mean_w = about + out_.mean_w / n;
    out_.centre_s = at / n;
    out_.time_centre_s = covered > 0.0 ? time_at / covered : out_.centre_s;
    out_.time_mean_w = covered > 0.0 ? about + integral / covered : out_.mean_w;
  }

  [[nodiscard]] double residual(const BinView& view, double slope) const {
    return view.bin->mean - out_.mean_w - slope * (view.at_s - out_.centre_s);
  }

  /// Deviation of the readings, and how much worse than as many independent ones their mean is: the scatter of the
  /// bins' means holds whatever correlation is shorter than a bin, their own correlation the rest. Returns what the
  /// bins say of the slope, where one is asked for.
  StandardUncertainty judge(bool line, double slope, double& standard_deviation, double& inflation,
                            double& degrees_of_freedom) const {
    const double parameters = line ? 2.0 : 1.0;
    double squares = 0.0;
    for (const BinView& view : views_)
      squares += view.bin->m2 + view.n() * residual(view, slope) * residual(view, slope);
    const double variance = out_.readings > parameters ? squares / (out_.readings - parameters) : 0.0;
    standard_deviation = std::sqrt(std::max(0.0, variance));
    inflation = 1.0;
    degrees_of_freedom = std::max(1.0, out_.readings - parameters);
    if (!(variance > 0.0)) return {};
    const Gathered gathered = gather(line, slope);
    const LongRun run = long_run(gathered.batches(quick_noise_));
    const std::size_t values = gathered.values.size() - gathered.before;
    if (values < fewest_bins) return run.slope.value_or(StandardUncertainty{});
    const double independent = std::sqrt(variance / std::max(1.0, out_.readings));
    const double expanded = coverage_factor(run.mean.degrees_of_freedom) * run.mean.uncertainty;
    // Readings that alternate, or nearly: as good as independent, and counted as GUM 4.2.3 does.
    if (expanded > least_widening * coverage_factor(degrees_of_freedom) * independent) {
      const double wider = run.mean.uncertainty / independent;
      inflation = std::clamp(wider * wider, 1.0, std::max(1.0, out_.readings));
      degrees_of_freedom =
          inflation > 1.0 ? run.mean.degrees_of_freedom : degrees_of_freedom_for(expanded / independent);
    }
    return run.slope.value_or(StandardUncertainty{});
  }

  /// The bins' means about the level or its slope, half-empty bins left out.
  struct Gathered {
    std::vector<double> values, places;
    std::size_t before = 0;
    double readings = 1.0, within = 0.0, within_degrees_of_freedom = 0.0;
    [[nodiscard]] Batches batches(std::span<const QuickNoise> quick_noise) const {
      return {values, places, before, readings, within, within_degrees_of_freedom, quick_noise};
    }
  };
  [[nodiscard]] Gathered gather(bool line, double slope) const {
    Gathered out;
    std::vector<double> sizes;
    for (const BinView& view : views_) sizes.push_back(view.n());
    out.readings = median_of(std::move(sizes));
    const auto take = [&](const BinView& view) {
      if (2.0 * view.n() < out.readings) return;
      out.values.push_back(residual(view, slope));
      if (line) out.places.push_back(view.at_s);
    };
    for (const BinView& view : early_) take(view);
    out.before = out.values.size();
    for (const BinView& view : views_) {
      take(view);
      out.within += view.bin->m2;
      out.within_degrees_of_freedom += view.n() - 1.0;
    }
    if (out.within_degrees_of_freedom > 0.0) out.within /= out.within_degrees_of_freedom;
    return out;
  }

  void slope() {
    double tt = 0.0, tp = 0.0;
    for (const BinView& view : views_) {
      const double t = view.at_s - out_.centre_s;
      tt += view.n() * t * t;
      tp += view.n() * t * (view.bin->mean - out_.mean_w);
    }
    if (views_.size() < 3 || !(tt > 0.0)) return;
    out_.slope_w_per_s = tp / tt;
    double standard_deviation = 0.0, inflation = 1.0, degrees_of_freedom = 1.0;
    const StandardUncertainty sure = judge(true, out_.slope_w_per_s, standard_deviation, inflation, degrees_of_freedom);
    out_.slope_uncertainty = sure.uncertainty;
    out_.slope_degrees_of_freedom = sure.degrees_of_freedom;
    const double far = 0.5 * drift_significance * coverage_factor(sure.degrees_of_freedom) * sure.uncertainty;
    if (views_.size() <= fewest_bins || std::abs(out_.slope_w_per_s) <= far) return;
    out_.drifts = true;
    out_.standard_deviation_w = standard_deviation;
    out_.inflation = inflation;
    out_.degrees_of_freedom = degrees_of_freedom;
  }

  const std::vector<BinView>&views_, &early_;
  const std::span<const QuickNoise> quick_noise_;
  LevelScatter out_;
};

}  // namespace

double LevelScatter::mean_uncertainty_w() const {
  return standard_deviation_w * std::sqrt(inflation / readings);
}

double LevelScatter::expanded_w() const {
  return coverage_factor(degrees_of_freedom) * mean_uncertainty_w();
}

LevelScatter level_scatter(const LevelPieces& pieces, std::span<const QuickNoise> quick_noise) {
  return ScatterMaker(pieces, quick_noise).make();
}

}  // namespace nightwatt
