#include "measure/long_run.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <vector>

#include "measure/statistics.hpp"

namespace nightwatt {

namespace {

/// A meter that holds a reading for a few polls needs an order as long as the hold; more costs precision.
constexpr std::size_t highest_order = 12;

struct Model {
  double noise_share = 1.0;  ///< variance of the innovations over that of the series
  double sum = 0.0;          ///< of the coefficients
  std::size_t order = 0;
};

/// Levinson-Durbin over correlations at lags 0 to max; the order with the least corrected criterion.
Model best_model(std::span<const double> correlations, double count) {
  const std::size_t orders = correlations.size() - 1;
  std::array<double, highest_order + 1> phi{}, previous{};
  double noise = 1.0;
  Model best;
  double best_criterion = 0.0;
  for (std::size_t p = 1; p <= orders; ++p) {
    double reflection = correlations[p];
    for (std::size_t j = 1; j < p; ++j) reflection -= previous[j] * correlations[p - j];
    reflection /= noise;
    if (!(std::abs(reflection) < 1.0)) break;
    phi = previous;
    phi[p] = reflection;
    for (std::size_t j = 1; j < p; ++j) phi[j] = previous[j] - reflection * previous[p - j];
    noise *= 1.0 - reflection * reflection;
    previous = phi;
    const auto parameters = static_cast<double>(p + 1);
    const double criterion = count * std::log(std::max(noise, 1e-300)) +
                             2.0 * parameters * count / std::max(1.0, count - parameters - 1.0) -
                             2.0 * count / std::max(1.0, count - 2.0);
    if (criterion < best_criterion) {
      best_criterion = criterion;
      double sum = 0.0;
      for (std::size_t j = 1; j <= p; ++j) sum += phi[j];
      best = {noise, sum, p};
    }
  }
  return best;
}

/// Sum of autocorrelations over pairs of lags until a pair is no longer positive (Geyer 1992, Statist. Sci. 7, 473;
/// from memory): long memory that a short autoregression misses. Beyond `lag_limit` lags neighbours are averaged first.
double inflation_by_sum(std::vector<double> values) {
  constexpr std::size_t lag_limit = 64;
  constexpr std::size_t block = 4;
  double before = 1.0;  // variance of the mean of the series at hand, over that of the first one's white equivalent
  for (;;) {
    const Spread spread = spread_of(values);
    const auto count = static_cast<double>(values.size());
    double squares = 0.0;
    for (double& value : values) {
      value -= spread.mean;
      squares += value * value;
    }
    if (!(squares > 0.0)) return before;
    const auto correlation = [&](std::size_t lag) {
      double products = 0.0;
      for (std::size_t i = lag; i < values.size(); ++i) products += values[i] * values[i - lag];
      return products / squares;
    };
    double sum = -1.0;
    bool ended = false;
    for (std::size_t lag = 0; lag + 1 < std::min(lag_limit, values.size() / 2); lag += 2) {
      const double pair = correlation(lag) + correlation(lag + 1);
      if (pair <= 0.0) {
        ended = true;
        break;
      }
      sum += 2.0 * pair;
    }
    if (ended || values.size() < 8 * block) return before * std::max(1.0, sum);
    std::vector<double> averages;
    for (std::size_t i = 0; i + block <= values.size(); i += block) {
      double total = 0.0;
      for (std::size_t j = i; j < i + block; ++j) total += values[j];
      averages.push_back(total / static_cast<double>(block));
    }
    const double shrunk = spread_of(averages).deviation;
    before *= shrunk * shrunk / (squares / count) * static_cast<double>(block);
    values = std::move(averages);
  }
}

}  // namespace

LongRun long_run(std::span<const double> values) {
  const auto count = static_cast<double>(values.size());
  LongRun result;
  result.effective = count;
  result.freedom = std::max(1.0, count - 1.0);
  if (values.size() < 4) return result;
  const double mean = spread_of(values).mean;
  const std::size_t orders = std::min(highest_order, values.size() / 4);
  std::array<double, highest_order + 1> correlations{};
  for (std::size_t i = 0; i < values.size(); ++i) {
    const double off = values[i] - mean;
    const std::size_t lags = std::min(orders, i);
    for (std::size_t lag = 0; lag <= lags; ++lag) correlations[lag] += off * (values[i - lag] - mean);
  }
  const double squares = correlations[0];
  if (!(squares > 0.0)) return result;
  for (double& c : correlations) c /= squares;
  const Model model = best_model(std::span(correlations).first(orders + 1), count);
  if (model.order == 0) return result;
  double sum = model.sum;
  if (sum > 0.0) sum = std::min(sum + (1.0 + 4.0 * sum) / count, 1.0 - 1.0 / count);
  const double spectrum = model.noise_share / ((1.0 - sum) * (1.0 - sum));
  const double by_sum = inflation_by_sum(std::vector<double>(values.begin(), values.end()));
  result.inflation = std::clamp(std::max(spectrum, by_sum), 1.0, count);
  result.effective = count / result.inflation;
  // The spectrum at zero of an autoregression is about as sure as the variance of as many independent values.
  result.freedom = std::max(1.0, result.effective - 1.0);
  return result;
}

}  // namespace nightwatt
