#include "uncertainty/level.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

#include "measure/uncertainty/level_budget.hpp"
#include "measure/uncertainty/recompute_figure.hpp"

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

void recompute_figure(Regime& regime, double step_w, Rounding rounding) {
  regime.figure = level_figure(regime, step_w, rounding);
}

double statistical_uncertainty(std::span<const SketchBin> bins) {
  double n = 0.0;
  const double variance = readings_variance(bins, n);
  if (n < 2.0) return 0.0;
  const double independent = std::sqrt(variance / n) * coverage_factor(n - 1.0) / 2.0;
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
  const double between = std::sqrt(squares / (count - 1.0) / count) * coverage_factor(count - 1.0) / 2.0;
  return std::max(independent, between);
}

}  // namespace nightwatt
