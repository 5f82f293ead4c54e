#include "measure/history/calibration.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "measure/uncertainty/distributions.hpp"
#include "measure/uncertainty/errors_in_both.hpp"
#include "measure/uncertainty/level_budget.hpp"

namespace nightwatt {

namespace {

/// The highest level must be this many times the lowest: nearer ones are one level, from which no gain can be told.
constexpr double least_ratio = 1.2;
/// Fewer levels than this are no ground for a curve that bends.
constexpr std::size_t least_for_bend = 5;
/// A bend counts where chance alone would show one as large once in a thousand calibrations.
constexpr double bend_quantile = 1.0 - 0.0005;
/// A level is never surer than this share of itself: doubles end somewhere.
constexpr double least_deviation = 1e-9;
constexpr int scatter_rounds = 30;

class Maker {
 public:
  Maker(std::span<const CalibrationLevel> levels, const ReferenceTrust& reference)
      : levels_(levels), reference_(reference) {}

  Result<Calibration> make() {
    const auto line = fit_curve(points(0.0), 1);
    if (!line)
      return fail(ErrorKind::input, "the levels do not make a line: are they all one, or their uncertainties nothing?");
    degree_ = 1;
    if (const auto bent = fit_curve(points(0.0), 2); bent && levels_.size() >= least_for_bend && earns(*line, *bent)) {
      degree_ = 2;
      out_.bent = true;
    }
    const CurveFit sure = *fit_curve(points(0.0), degree_);
    out_.chi_squared = sure.chi_squared;
    out_.degrees_of_freedom = sure.degrees_of_freedom;
    const double scatter = scatter_variance(sure);
    take(sure, *fit_curve(points(scatter), degree_), scatter);
    return std::move(out_);
  }

 private:
  /// `scatter`: variance of the meter's own crookedness, on top of each level's chance.
  [[nodiscard]] UncertainPoints points(double scatter) const {
    const std::size_t n = levels_.size();
    UncertainPoints all;
    all.x_covariance = Matrix(n, n);
    all.y_covariance = Matrix(n, n);
    for (std::size_t i = 0; i < n; ++i) {
      const CalibrationLevel& one = levels_[i];
      all.x.push_back(one.shown_w);
      all.y.push_back(one.reference_w);
      all.x_covariance(i, i) = one.shown_display_w * one.shown_display_w;
      for (std::size_t j = 0; j < n; ++j)
        all.y_covariance(i, j) = reference_.gain * reference_.gain * one.reference_w * levels_[j].reference_w +
                                 reference_.offset_w * reference_.offset_w;
      const double least = least_deviation * (1.0 + std::abs(one.reference_w));
      all.y_covariance(i, i) +=
          one.random_w * one.random_w + one.reference_display_w * one.reference_display_w + least * least + scatter;
    }
    return all;
  }

  static bool earns(const CurveFit& line, const CurveFit& bent) {
    if (bent.degrees_of_freedom < 1.0) return false;
    const double usual = std::max(1.0, bent.chi_squared / bent.degrees_of_freedom);
    const double t = std::sqrt(std::max(0.0, line.chi_squared - bent.chi_squared) / usual);
    return t > student_quantile(bend_quantile, bent.degrees_of_freedom);
  }

  /// Such that chi-squared is what it should be; 0 where it is no more (Paule & Mandel 1982, from memory).
  [[nodiscard]] double scatter_variance(const CurveFit& sure) const {
    if (sure.degrees_of_freedom < 1.0 || sure.chi_squared <= sure.degrees_of_freedom) return 0.0;
    double high = 1e-300;
    for (const double r : sure.residuals) high += r * r;
    high *= 10.0;
    double low = high * 1e-12;
    for (int i = 0; i < scatter_rounds; ++i) {
      const double middle = std::sqrt(low * high);
      const auto fit = fit_curve(points(middle), degree_);
      (fit && fit->chi_squared > fit->degrees_of_freedom ? low : high) = middle;
    }
    return high;
  }

  void take(const CurveFit& sure, const CurveFit& fit, double scatter) {
    Correction& correction = out_.correction;
    correction.coefficients = fit.coefficients;
    const auto [lowest, highest] =
        std::minmax_element(levels_.begin(), levels_.end(),
                            [](const CalibrationLevel& a, const CalibrationLevel& b) { return a.shown_w < b.shown_w; });
    correction.from_w = lowest->shown_w;
    correction.to_w = highest->shown_w;
    const double wider = widening(sure, fit, scatter, 0.5 * (lowest->shown_w + highest->shown_w));
    correction.scatter_w = wider * std::sqrt(scatter);
    correction.covariance.clear();
    for (std::size_t a = 0; a < fit.coefficients.size(); ++a)
      for (std::size_t b = a; b < fit.coefficients.size(); ++b)
        correction.covariance.push_back(wider * wider * fit.covariance(a, b));
  }

  /// By how much k = 2 is too little for the few degrees of freedom of scatter and chance (GUM G.4.1).
  [[nodiscard]] double widening(const CurveFit& sure, const CurveFit& fit, double scatter, double at_w) const {
    const double whole = std::pow(fit.standard_deviation_at(at_w), 2) + scatter;
    const double by_scatter = std::max(0.0, whole - std::pow(sure.standard_deviation_at(at_w), 2));
    double chance = 0.0, least_degrees_of_freedom = 1e9;
    for (const CalibrationLevel& level : levels_) {
      chance += level.random_w * level.random_w;
      least_degrees_of_freedom = std::min(least_degrees_of_freedom, level.random_degrees_of_freedom);
    }
    const auto n = static_cast<double>(levels_.size());
    const std::array<UncertaintyPart, 3> parts = {
        {{std::sqrt(by_scatter), std::max(1.0, fit.degrees_of_freedom)},
         {std::sqrt(chance) / n, std::max(1.0, least_degrees_of_freedom)},
         {std::sqrt(std::max(0.0, whole - by_scatter - chance / n / n)), 1e9}}};
    return coverage_factor(effective_degrees_of_freedom(parts)) / 2.0;
  }

  std::span<const CalibrationLevel> levels_;
  const ReferenceTrust& reference_;
  int degree_ = 1;
  Calibration out_;
};

Conformity verdict(double error_w, double uncertainty_w, double permissible_error_w) {
  if (std::abs(error_w) + uncertainty_w <= permissible_error_w) return Conformity::kept;
  return std::abs(error_w) - uncertainty_w > permissible_error_w ? Conformity::broken : Conformity::cannot_tell;
}

void judge_points(Calibration& made, std::span<const CalibrationLevel> levels, const ReferenceTrust& reference,
                  const std::optional<Accuracy>& permissible_error) {
  for (const CalibrationLevel& level : levels) {
    CalibrationPoint point;
    point.level = level;
    point.corrected_w = made.correction.at(level.shown_w);
    point.residual_w = level.reference_w - point.corrected_w;
    point.error_w = level.shown_w - level.reference_w;
    const double display = std::hypot(level.shown_display_w, level.reference_display_w);
    const double trust = std::hypot(reference.gain * level.reference_w, reference.offset_w);
    point.error_uncertainty_w =
        std::hypot(coverage_factor(level.random_degrees_of_freedom) * level.random_w, 2.0 * std::hypot(display, trust));
    if (permissible_error) {
      point.permissible_error_w = permissible_error->half_width(level.shown_w);
      point.permissible_error = verdict(point.error_w, point.error_uncertainty_w, *point.permissible_error_w);
      if (!made.permissible_error || *point.permissible_error == Conformity::broken ||
          (*point.permissible_error == Conformity::cannot_tell && *made.permissible_error == Conformity::kept))
        made.permissible_error = point.permissible_error;
    }
    made.points.push_back(point);
  }
}

}  // namespace

ReferenceTrust ReferenceTrust::of(const Accuracy& permissible_error) {
  return {permissible_error.percent / 100.0 / std::sqrt(3.0), permissible_error.floor / std::sqrt(3.0)};
}

Result<Calibration> calibrate(std::span<const CalibrationLevel> levels, const ReferenceTrust& reference,
                              const std::optional<Accuracy>& permissible_error) {
  double lowest = 0.0, highest = 0.0;
  for (std::size_t i = 0; i < levels.size(); ++i) {
    lowest = i == 0 ? levels[i].shown_w : std::min(lowest, levels[i].shown_w);
    highest = i == 0 ? levels[i].shown_w : std::max(highest, levels[i].shown_w);
  }
  if (levels.size() < 2)
    return fail(ErrorKind::input, "a correction cannot be made from " +
                                      std::string(levels.empty() ? "no level" : "one level only") +
                                      ": offset and gain need two at least; add a run or a load at another level");
  if (!(highest > least_ratio * lowest) || !(highest > 0.0))
    return fail(ErrorKind::input,
                "the levels are too near each other to tell gain from offset: the highest must be 1.2 times the "
                "lowest; add a run or a load at another level");
  auto made = Maker(levels, reference).make();
  if (!made) return made;
  if (!made->correction.sound())
    return fail(ErrorKind::input,
                "the levels ask for a correction no meter needs (less than half or more than twice what it shows): do "
                "both show the same load, in the same unit?");
  judge_points(*made, levels, reference, permissible_error);
  return made;
}

}  // namespace nightwatt
