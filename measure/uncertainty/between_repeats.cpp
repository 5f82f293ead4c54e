#include "uncertainty/between_repeats.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <vector>

#include "measure/uncertainty/level_budget.hpp"

namespace nightwatt {

namespace {

/// A level below it varies as one of this power does: there watts count, not per cents (common practice, no source).
constexpr double least_level_w = 1.0;
/// Points of the grid; four times as many move no interval by more than a thousandth.
constexpr std::size_t grid_points = 64;
/// The grid reaches from where the spread adds nothing to where nobody would believe it.
constexpr double grid_from = 0.05, grid_to = 300.0;
/// A spread below this share of the repeats' own uncertainty says nothing and counts for little. Smaller, and repeats
/// that agree by chance are believed: two that differ by 2 to 10 of their own uncertainties held the truth 95 times in
/// 100 at worst, 93 at a third of it, and are narrower by a quarter where they do not differ.
constexpr double hidden_share = 0.3;
/// What k = 2 covers.
constexpr double wanted_coverage = 0.9545;
constexpr int halvings = 40;
constexpr double infinity = std::numeric_limits<double>::infinity();

/// Half of its own 95 % interval, as if it were normal: few degrees of freedom make it wider (GUM G.3).
double normal_like(const UncertaintyPart& chance) {
  return 0.5 * coverage_factor(std::max(1.0, chance.degrees_of_freedom)) * chance.uncertainty;
}

/// One possible spread between repeats: how likely, and the variance of the mean under it.
struct Possible {
  double log_likelihood = 0.0;
  double prior = 0.0;
  double variance = 0.0;
};

/// The levels' joint likelihood under each possible spread, the mean integrated out (restricted likelihood, as
/// DerSimonian & Laird's and Paule & Mandel's estimators have it in their moments), averaged over all of them.
class Spreads {
 public:
  Spreads(std::span<const Repeat> repeats, Differ differ) : beyond_(differ.beyond) {
    double mean = 0.0, precision = 0.0, display = 0.0, within = 0.0;
    for (const Repeat& repeat : repeats) {
      const double own = std::hypot(normal_like(repeat.chance), repeat.display);
      variances_.push_back(own * own);
      values_.push_back(repeat.value);
      mean += repeat.share * repeat.value;
      scales_.push_back(1.0 / (repeat.share * static_cast<double>(repeats.size())));
      known_.push_back({repeat.share * repeat.chance.uncertainty, repeat.chance.degrees_of_freedom});
      display += repeat.share * repeat.display;
      within += repeat.share * repeat.share * own * own;
    }
    known_.push_back({display, infinity});
    usual_ = differ.usual * std::max(std::abs(mean), least_level_w);
    for (double& variance : variances_) {
      variance = std::max(variance, 1e-12 * usual_ * usual_);
      precision += 1.0 / variance;
    }
    own_ = std::sqrt(static_cast<double>(variances_.size()) / precision);
    for (const Repeat& repeat : repeats) reach_ = std::max(reach_, std::abs(repeat.value - mean));
    gather(within);
  }

  /// Half-width of the interval of the mean, as if the display erred anew in each repeat.
  [[nodiscard]] double half_width() const {
    double low = 0.0, high = std::max(own_, usual_);
    while (coverage(high) < wanted_coverage) high *= 2.0;
    for (int i = 0; i < halvings; ++i) {
      const double middle = 0.5 * (low + high);
      (coverage(middle) < wanted_coverage ? low : high) = middle;
    }
    return high;
  }

  /// What is lacking to that half-width where the display errs alike in all: it does either, or something between, and
  /// the wider of the two holds for both.
  [[nodiscard]] double between() const {
    const double wanted = half_width();
    const auto with = [&](double between) {
      std::vector<UncertaintyPart> parts = known_;
      parts.push_back({between, infinity});
      return coverage_factor(std::max(1.0, effective_degrees_of_freedom(parts))) * combined_uncertainty(parts);
    };
    if (with(0.0) >= wanted) return 0.0;
    double low = 0.0, high = wanted;
    for (int i = 0; i < halvings; ++i) {
      const double middle = 0.5 * (low + high);
      (with(middle) < wanted ? low : high) = middle;
    }
    return high;
  }

 private:
  /// `within`: variance of the mean by the repeats' own uncertainties.
  void gather(double within) {
    const double from = std::log(grid_from * std::min(own_, usual_));
    const double to = std::log(grid_to * std::max({own_, usual_, reach_}));
    for (std::size_t i = 0; i < grid_points; ++i) {
      const double spread = std::exp(from + (static_cast<double>(i) + 0.5) * (to - from) / grid_points);
      // Even below what the repeats' own uncertainties hide, then falling as 1 / spread, the scale-free guess that
      // gives Student's t, and beyond what is usual more steeply. Times the spread: the grid is logarithmic.
      add(spread, spread / (hidden_share * own_ + spread) / (1.0 + std::pow(spread / usual_, beyond_)), within);
    }
    double likeliest = -infinity;
    for (const Possible& one : all_) likeliest = std::max(likeliest, one.log_likelihood);
    for (Possible& one : all_) total_ += one.prior *= std::exp(one.log_likelihood - likeliest);
  }

  void add(double spread, double prior, double within) {
    double precision = 0.0, mean = 0.0, log = 0.0;
    for (std::size_t i = 0; i < values_.size(); ++i) {
      const double variance = variances_[i] + scales_[i] * spread * spread;
      precision += 1.0 / variance;
      mean += (values_[i] - values_.front()) / variance;
      log -= 0.5 * std::log(variance);
    }
    mean /= precision;
    log -= 0.5 * std::log(precision);
    for (std::size_t i = 0; i < values_.size(); ++i) {
      const double off = values_[i] - values_.front() - mean;
      log -= 0.5 * off * off / (variances_[i] + scales_[i] * spread * spread);
    }
    all_.push_back({log, prior, within + spread * spread / static_cast<double>(values_.size())});
  }

  [[nodiscard]] double coverage(double half_width) const {
    double sum = 0.0;
    for (const Possible& one : all_)
      sum += one.prior * (one.variance > 0.0 ? std::erf(half_width / std::sqrt(2.0 * one.variance)) : 1.0);
    return sum / total_;
  }

  std::vector<double> values_, variances_;
  std::vector<double> scales_;  ///< variance between, for each: a level that wanders is averaged over a longer time
  std::vector<UncertaintyPart> known_;  ///< of the mean, without a spread between the repeats
  double beyond_;
  double usual_ = 0.0, own_ = 0.0, reach_ = 0.0, total_ = 0.0;
  std::vector<Possible> all_;
};

}  // namespace

double between_repeats(std::span<const Repeat> repeats, Differ differ) {
  return repeats.size() < 2 ? 0.0 : Spreads(repeats, differ).between();
}

}  // namespace nightwatt
