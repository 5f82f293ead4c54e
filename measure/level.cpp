#include "level.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

namespace nightwatt {

namespace {

constexpr std::size_t batch_count = 8;  // few enough to be longer than the noise remembers, enough for a variance

struct Weighted {
  double weight = 0.0;
  double mean = 0.0;
};

double bin_weight(const SketchBin& b) {
  return b.covered_s > 0.0 ? b.covered_s : 0.0;
}

Weighted mean_of(std::span<const SketchBin> bins) {
  Weighted all;
  double sum = 0.0;
  for (const SketchBin& b : bins) {
    all.weight += bin_weight(b);
    sum += b.integral_ws;
  }
  if (all.weight > 0.0) {
    all.mean = sum / all.weight;
    return all;
  }
  // No two neighbouring readings: each counts the same.
  double n = 0.0;
  for (const SketchBin& b : bins) {
    n += static_cast<double>(b.n);
    sum += static_cast<double>(b.n) * b.mean;
  }
  all.mean = n > 0.0 ? sum / n : 0.0;
  return all;
}

double readings_variance(std::span<const SketchBin> bins, double& n) {
  double sum = 0.0, m2 = 0.0;
  n = 0.0;
  for (const SketchBin& b : bins) {
    n += static_cast<double>(b.n);
    sum += static_cast<double>(b.n) * b.mean;
  }
  if (n < 2.0) return 0.0;
  const double mean = sum / n;
  for (const SketchBin& b : bins) m2 += b.m2 + static_cast<double>(b.n) * (b.mean - mean) * (b.mean - mean);
  return m2 / (n - 1.0);
}

}  // namespace

double student_k2(int degrees_of_freedom) {
  // t(95.45 %): exact to four digits for few degrees of freedom (GUM table G.2), beyond by its expansion in 1/nu.
  static constexpr std::array<double, 10> table = {13.97, 4.53, 3.31, 2.87, 2.65, 2.52, 2.43, 2.37, 2.32, 2.28};
  if (degrees_of_freedom < 1) return table[0];
  if (degrees_of_freedom <= 10) return table[static_cast<std::size_t>(degrees_of_freedom - 1)];
  const double nu = degrees_of_freedom;
  return 2.0 + 2.5 / nu + 2.9 / (nu * nu);
}

double statistical_uncertainty(std::span<const SketchBin> bins) {
  double n = 0.0;
  const double variance = readings_variance(bins, n);
  if (n < 2.0) return 0.0;
  const double independent = std::sqrt(variance / n) * student_k2(static_cast<int>(std::min(n - 1.0, 1e6))) / 2.0;
  if (bins.size() < 4) return independent;
  // Batch means: their scatter holds whatever correlation is shorter than a batch.
  const std::size_t batches = std::min(batch_count, bins.size() / 2);
  std::vector<double> means;
  for (std::size_t k = 0; k < batches; ++k) {
    const std::size_t a = k * bins.size() / batches;
    const std::size_t b = (k + 1) * bins.size() / batches;
    means.push_back(mean_of(bins.subspan(a, b - a)).mean);
  }
  double sum = 0.0, squares = 0.0;
  for (const double m : means) sum += m;
  const auto count = static_cast<double>(means.size());
  for (const double m : means) squares += (m - sum / count) * (m - sum / count);
  const double between =
      std::sqrt(squares / (count - 1.0) / count) * student_k2(static_cast<int>(means.size()) - 1) / 2.0;
  return std::max(independent, between);
}

std::optional<Level> level_of(const Stretch& s, const MeterTraits& traits, double step_w) {
  const std::vector<SketchBin>& all = s.sketch.bins();
  if (all.empty()) return std::nullopt;
  const UtcTime from = s.begin + Duration((s.end - s.begin).count() / 3);
  std::size_t first = 0;
  while (first + 1 < all.size() && s.sketch.bin_begin(all[first]) < from) ++first;
  const std::span<const SketchBin> bins(all.begin() + static_cast<std::ptrdiff_t>(first), all.end());
  Level level;
  level.mean_w = mean_of(bins).mean;
  const double statistics = statistical_uncertainty(bins);
  const double display = step_w / std::sqrt(12.0);
  double accuracy = 0.0;
  if (traits.accuracy) accuracy = traits.accuracy->half_width(level.mean_w) / std::sqrt(3.0);
  level.uncertainty_w = 2.0 * std::sqrt(statistics * statistics + display * display + accuracy * accuracy);
  double w = 0.0, wt = 0.0;
  for (const SketchBin& b : bins) {
    w += static_cast<double>(b.n);
    wt += static_cast<double>(b.n) * static_cast<double>(b.key - bins[0].key);
  }
  double num = 0.0, den = 0.0;
  for (const SketchBin& b : bins) {
    const double t = static_cast<double>(b.key - bins[0].key) - wt / w;
    num += static_cast<double>(b.n) * t * (b.mean - level.mean_w);
    den += static_cast<double>(b.n) * t * t;
  }
  if (den > 0.0) level.drift_w_per_h = num / den / s.sketch.width_s() * 3600.0;
  return level;
}

}  // namespace nightwatt
