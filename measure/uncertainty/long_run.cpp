#include "measure/uncertainty/long_run.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <limits>
#include <numbers>
#include <utility>
#include <vector>

#include "measure/uncertainty/distributions.hpp"
#include "measure/uncertainty/level_budget.hpp"

namespace nightwatt {

namespace {

/// Memories looked at: from what is gone by the next value to most of the record, each so much longer than the last.
constexpr double shortest_correlation_time = 0.4, correlation_time_ratio = 1.6,
                 longest_correlation_time = 0.8;  // values; of the record
/// How much wider slow noise makes the interval than the quick noise alone would.
constexpr std::array<double, 8> widenings = {1.3, 1.7, 2.2, 2.9, 3.8, 5.0, 7.0, 10.0};
/// Odds before anything is seen, found by simulation: white noise, noise that forgets within a batch, and slow noise up
/// to a sixth of the record long, however small beside the quick noise, all get intervals that hold the truth 94 to 99
/// times in 100, or nearly.
constexpr double without_slow = 0.3;  ///< no slow noise
constexpr double independent = 0.6;   ///< quick noise forgets from one reading to the next
constexpr double slow_alone = 0.25;   ///< of slow noise: next to it quick noise is nothing
/// Of the record: shorter and longer memories are less likely, in proportion.
constexpr double rarely_shorter = 0.08;
constexpr double rarely_longer = 0.33;
/// What comes before is of another level: a device that had not settled.
constexpr double another_level = 0.02;
constexpr double another_level_reach = 20.0;  ///< deviations of the values within which that level lies
/// The share of the mixture that is taken for 95.45 %: the odds above are cautious.
constexpr double held_share = 0.942;
/// A model this much less likely than the best changes nothing.
constexpr double least_weight = 3e-4;
constexpr int halvings = 40;  // of the interval's width at worst; some five are needed
constexpr double share_tolerance = 2e-5;
constexpr double share_of_one = 0.682689492137086;

/// What one model of the noise says of mean and slope.
struct Posterior {
  double weight = 0.0;
  double degrees_of_freedom = 1.0;
  double mean_off = 0.0, mean_u = 0.0;  ///< from the plain mean
  double slope_off = 0.0, slope_u = 0.0;
};

/// Covariance of the values: quick in each (it may be less than nothing, see BatchedNoise), slow in what the next
/// remembers by `correlation_time`. Relative to the variance of a mean of independent readings where `scaled`; else of
/// unknown size.
struct Noise {
  double correlation_time = 0.0, quick = 1.0, slow = 0.0;
  double prior = 1.0;
  bool scaled = false;
};

/// Student's distribution function to 1e-3 of a probability, quickly (Wallace 1959, from memory; a test compares).
double nearly_student(double t, double degrees_of_freedom) {
  const double z = (8.0 * degrees_of_freedom + 1.0) / (8.0 * degrees_of_freedom + 3.0) *
                   std::sqrt(degrees_of_freedom * std::log1p(t * t / degrees_of_freedom));
  return normal_cdf(t < 0.0 ? -z : z);
}

/// Variance of the mean of n values that remember, over that of one: (1 + r) / (1 - r) / n for many.
double variance_of_mean(double correlation_time, double n) {
  const double rest = 1.0 - correlation_time;
  return ((1.0 + correlation_time) / rest -
          2.0 * correlation_time * (1.0 - std::pow(correlation_time, n)) / (n * rest * rest)) /
         n;
}

/// First-order noise of unit variance averaged over batches of n readings: covariance `slow` memory^k of batches k
/// apart, and of a batch with itself 1, that is `quick` more: below 0, since a mean is smoother than what it is made
/// of.
struct BatchedNoise {
  double correlation_time, quick = 0.0, slow = 1.0;
  BatchedNoise(double batches, double n) : correlation_time(std::exp(-1.0 / batches)) {
    const double one = std::exp(-1.0 / (batches * n));
    const double sum = n > 1.0 ? (1.0 - correlation_time) / (n * (1.0 - one)) : 1.0;
    slow = n > 1.0 ? one * sum * sum / correlation_time / variance_of_mean(one, n) : 1.0;
    quick = 1.0 - slow;
  }
  /// Of the mean of so many batches.
  [[nodiscard]] double of_mean(double batches) const {
    return slow * variance_of_mean(correlation_time, batches) + quick / batches;
  }
};

/// A row for each value: itself and what its level is made of, which is 1, its place where a line is asked for, and
/// whether it comes before where such values are there.
struct Rows {
  std::size_t columns = 2;
  std::vector<std::array<double, 4>> rows;
};

/// Sums of products of the columns of values that were whitened one by one by their prediction from those before
/// (Kalman's filter of a first-order state seen through white noise).
struct Whitened {
  std::array<std::array<double, 4>, 4> sum{};
  double log_determinant = 0.0;
};

template <std::size_t columns>
Whitened whiten_columns(const Rows& rows, const Noise& noise) {
  Whitened out;
  std::array<double, columns> predicted{}, off{};
  const double forgotten = (1.0 - noise.correlation_time * noise.correlation_time) * noise.slow;
  double unsure = noise.slow, determinant = 1.0;
  for (const auto& row : rows.rows) {
    const double spread = unsure + noise.quick, weight = 1.0 / spread, gain = unsure * weight;
    for (std::size_t a = 0; a < columns; ++a) off[a] = row[a] - predicted[a];
    for (std::size_t a = 0; a < columns; ++a)
      for (std::size_t b = a; b < columns; ++b) out.sum[a][b] += off[a] * off[b] * weight;
    determinant *= spread;
    if (determinant < 1e-100 || determinant > 1e100) out.log_determinant += std::log(std::exchange(determinant, 1.0));
    for (std::size_t a = 0; a < columns; ++a) predicted[a] = noise.correlation_time * (predicted[a] + gain * off[a]);
    unsure = noise.correlation_time * noise.correlation_time * unsure * (1.0 - gain) + forgotten;
  }
  out.log_determinant += std::log(determinant);
  return out;
}

Whitened whiten(const Rows& rows, const Noise& noise) {
  if (rows.columns == 2) return whiten_columns<2>(rows, noise);
  return rows.columns == 3 ? whiten_columns<3>(rows, noise) : whiten_columns<4>(rows, noise);
}

/// Generalised least squares.
struct Solution {
  double rest = 0.0;  ///< sum of squares that is left
  double log_determinant = 0.0;
  std::array<double, 3> value{}, variance{};  ///< of mean, slope, ...; variance where that of a whitened value is 1
  bool good = false;
};

/// For the first `parameters` columns after the value, by elimination (the matrix is positive definite).
Solution solve(const Whitened& whitened, std::size_t parameters) {
  const std::size_t p = parameters;
  std::array<std::array<double, 7>, 3> m{};
  for (std::size_t i = 0; i < p; ++i) {
    for (std::size_t j = 0; j < p; ++j) m[i][j] = whitened.sum[std::min(i, j) + 1][std::max(i, j) + 1];
    m[i][3] = whitened.sum[0][i + 1];
    m[i][4 + i] = 1.0;
  }
  Solution out;
  out.rest = whitened.sum[0][0];
  for (std::size_t i = 0; i < p; ++i) {
    const double pivot = m[i][i];
    if (!(pivot > 0.0)) return out;
    out.log_determinant += std::log(pivot);
    out.rest -= m[i][3] * m[i][3] / pivot;
    for (double& x : m[i]) x /= pivot;
    for (std::size_t k = 0; k < p; ++k) {
      if (k == i) continue;
      const double factor = m[k][i];
      for (std::size_t j = 0; j < m[k].size(); ++j) m[k][j] -= factor * m[i][j];
    }
  }
  for (std::size_t i = 0; i < p; ++i) out.value[i] = m[i][3], out.variance[i] = m[i][4 + i];
  out.rest = std::max(1e-300, out.rest);
  out.good = true;
  return out;
}

/// Weighs models of the noise by what the values say of them.
class Mixture {
 public:
  /// `scale`: by which the values were divided.
  Mixture(const Batches& batches, std::span<const double> values, std::span<const double> places, double scale)
      : batches_(batches), quoted_count_(values.size() - batches.before), line_(!places.empty()) {
    const auto gather = [&](Rows& into, std::size_t from, bool with_early) {
      into.columns = 2U + (line_ ? 1U : 0U) + (with_early ? 1U : 0U);
      for (std::size_t i = from; i < values.size(); ++i) {
        const double early = i < batches.before ? 1.0 : 0.0;
        into.rows.push_back({values[i], 1.0, line_ ? places[i] : early, early});
      }
    };
    gather(all_, 0, batches.before > 0);
    gather(quoted_, batches.before, false);
    if (batches.within_degrees_of_freedom >= 1.0 && batches.within > 0.0) {
      within_degrees_of_freedom_ = batches.within_degrees_of_freedom;
      within_squares_ = batches.within * within_degrees_of_freedom_ / batches.readings / (scale * scale);
    }
  }

  std::vector<Posterior> posteriors() {
    for (const Noise& noise : models()) weigh(noise);
    double best = -std::numeric_limits<double>::infinity();
    for (const Weighed& one : weighed_) best = std::max(best, one.log_weight);
    std::vector<Posterior> all;
    double sum = 0.0;
    for (const Weighed& one : weighed_) {
      const double weight = std::exp(one.log_weight - best);
      if (weight < least_weight) continue;
      if (const auto posterior = judge(one)) {
        all.push_back(*posterior);
        all.back().weight = weight;
        sum += weight;
      }
    }
    for (Posterior& one : all) one.weight /= sum;
    return all;
  }

 private:
  struct Weighed {
    Noise noise;
    double log_weight = 0.0, rest = 0.0, degrees_of_freedom = 1.0;
  };

  [[nodiscard]] std::vector<Noise> models() const {
    const bool known = within_degrees_of_freedom_ > 0.0 && !batches_.quick_noise.empty();
    double exact = 0.0;
    for (const QuickNoise& quick : batches_.quick_noise) exact += known ? independent * quick.weight : 0.0;
    // Noise that forgets within a batch makes its mean up to as unsure as one reading is: even odds for each ratio.
    const double unsure_size = (1.0 - exact) / (known ? std::max(1.0, std::log(batches_.readings)) : 1.0);
    std::vector<Noise> all;
    for (const QuickNoise& quick : batches_.quick_noise)
      if (known)
        all.push_back({0.0, quick.readings_per_independent, 0.0, without_slow * independent * quick.weight, true});
    all.push_back({0.0, 1.0, 0.0, without_slow * unsure_size, false});
    const auto n = static_cast<double>(quoted_count_);
    std::vector<std::pair<double, double>> correlation_times;
    double sum = 0.0;
    for (double correlation_time = shortest_correlation_time; correlation_time <= longest_correlation_time * n;
         correlation_time *= correlation_time_ratio) {
      correlation_times.emplace_back(correlation_time, std::min({1.0, correlation_time / (rarely_shorter * n),
                                                                 rarely_longer * n / correlation_time}));
      sum += correlation_times.back().second;
    }
    for (const auto& [correlation_time, prior] : correlation_times)
      slow_models(all, BatchedNoise(correlation_time, std::max(1.0, batches_.readings)),
                  (1.0 - without_slow) * prior / sum, exact, unsure_size);
    return all;
  }

  void slow_models(std::vector<Noise>& all, const BatchedNoise& slow, double prior, double exact,
                   double unsure_size) const {
    const auto n = static_cast<double>(quoted_count_);
    const double with_quick = prior * (1.0 - slow_alone) / static_cast<double>(widenings.size());
    const auto model = [&](double quick, double size, double prior_of_it, bool scaled) {
      all.push_back({slow.correlation_time, quick + size * slow.quick, size * slow.slow, prior_of_it, scaled});
    };
    for (std::size_t i = 0; i < widenings.size(); ++i) {
      const double size = (widenings[i] * widenings[i] - 1.0) / (n * slow.of_mean(n));
      for (const auto& [readings, weight] : batches_.quick_noise)
        if (exact > 0.0) model(readings, readings * size, with_quick * independent * weight, true);
      if (i % 2 == 1) model(1.0 / (1.0 + size), size / (1.0 + size), 2.0 * with_quick * unsure_size, false);
    }
    constexpr double sizes = 3.0;  // of slow noise alone, as logarithm
    model(0.0, 1.0, prior * slow_alone / (exact > 0.0 ? sizes : 1.0), false);
  }

  /// The likelihood with the level, the slope and the size of the noise integrated out.
  void weigh(const Noise& noise) {
    const Whitened whitened = whiten(all_, noise);
    const std::size_t usual = line_ ? 2 : 1;
    const bool early = batches_.before > 0 && all_.rows.size() > usual + 2;
    take(noise, whitened, usual, std::log(noise.prior * (early ? 1.0 - another_level : 1.0)));
    const double spread = std::sqrt(std::numbers::pi) / another_level_reach;
    if (early) take(noise, whitened, usual + 1, std::log(noise.prior * another_level * spread));
  }

  void take(const Noise& noise, const Whitened& whitened, std::size_t parameters, double log_posterior_odds) {
    const Solution solution = solve(whitened, parameters);
    const double degrees_of_freedom = static_cast<double>(all_.rows.size()) - static_cast<double>(parameters) +
                                      (noise.scaled ? within_degrees_of_freedom_ : 0.0);
    if (!solution.good || !(degrees_of_freedom > 0.0)) return;
    Weighed one{noise, log_posterior_odds, solution.rest + (noise.scaled ? within_squares_ : 0.0), degrees_of_freedom};
    one.log_weight +=
        std::lgamma(0.5 * degrees_of_freedom) -
        0.5 * (whitened.log_determinant + solution.log_determinant + degrees_of_freedom * std::log(one.rest));
    if (noise.scaled)
      one.log_weight +=
          0.5 * within_degrees_of_freedom_ * std::log(within_squares_) - std::lgamma(0.5 * within_degrees_of_freedom_);
    weighed_.push_back(one);
  }

  [[nodiscard]] std::optional<Posterior> judge(const Weighed& one) const {
    const Solution solution = solve(whiten(quoted_, one.noise), line_ ? 2 : 1);
    if (!solution.good) return std::nullopt;
    const double variance = one.rest / one.degrees_of_freedom;
    Posterior posterior;
    posterior.degrees_of_freedom = one.degrees_of_freedom;
    posterior.mean_off = solution.value[0];
    posterior.mean_u = std::sqrt(variance * solution.variance[0]);
    posterior.slope_off = solution.value[1];
    posterior.slope_u = std::sqrt(variance * solution.variance[1]);
    return posterior;
  }

  const Batches& batches_;
  const std::size_t quoted_count_;
  const bool line_;
  Rows all_, quoted_;
  double within_degrees_of_freedom_ = 0.0,
         within_squares_ = 0.0;  ///< squares: of the batches' means, were readings independent
  std::vector<Weighed> weighed_;
};

/// Share of what the models say that lies within `reach` of zero.
double share_within(const std::vector<Posterior>& all, double reach, double Posterior::*off, double Posterior::*u) {
  double held = 0.0;
  for (const Posterior& one : all)
    held += one.weight * (nearly_student((reach - one.*off) / (one.*u), one.degrees_of_freedom) -
                          nearly_student((-reach - one.*off) / (one.*u), one.degrees_of_freedom));
  return held;
}

/// Half-width about zero that holds `share` of what the models say: by false position, the end that stays halved
/// (the Illinois rule, from memory).
double half_width(const std::vector<Posterior>& all, double share, double Posterior::*off, double Posterior::*u) {
  double squares = 0.0;
  for (const Posterior& one : all) squares += one.weight * ((one.*off) * (one.*off) + (one.*u) * (one.*u));
  double low = 0.0, high = normal_quantile(0.5 + 0.5 * share) * std::sqrt(squares);
  double at_low = -share, at_high = share_within(all, high, off, u) - share;
  for (int i = 0; i < halvings && at_high < 0.0; ++i) {
    low = std::exchange(high, 2.0 * high);
    at_low = std::exchange(at_high, share_within(all, high, off, u) - share);
  }
  double middle = high;
  int side = 0;
  for (int i = 0; i < halvings; ++i) {
    middle = (low * at_high - high * at_low) / (at_high - at_low);
    const double at = share_within(all, middle, off, u) - share;
    if (std::abs(at) < share_tolerance) break;
    const int now = at < 0.0 ? -1 : 1;
    (at < 0.0 ? low : high) = middle;
    (at < 0.0 ? at_low : at_high) = at;
    if (now == side) (at < 0.0 ? at_high : at_low) *= 0.5;
    side = now;
  }
  return middle;
}

/// The Student's t whose 95.45 % is as far beyond its 68.27 % as this mixture's is, and whose 95.45 % is `held`.
StandardUncertainty sureness(double one_sigma, double two_sigma, double held) {
  // Ratios of Student's 95.45 % to its 68.27 % point for 1 to 20 degrees of freedom.
  static constexpr std::array<double, 12> ratios = {7.60,  3.427, 2.763, 2.513, 2.384, 2.305,
                                                    2.253, 2.216, 2.188, 2.167, 2.150, 2.136};
  StandardUncertainty result;
  const double ratio = two_sigma / one_sigma;
  std::size_t degrees_of_freedom = 1;
  while (degrees_of_freedom < ratios.size() && ratios[degrees_of_freedom - 1] > ratio) ++degrees_of_freedom;
  result.degrees_of_freedom = static_cast<double>(degrees_of_freedom);
  if (degrees_of_freedom == ratios.size())
    result.degrees_of_freedom = std::max(12.0, 1.66 / std::max(1e-3, ratio - 2.0));
  result.uncertainty = held / coverage_factor(result.degrees_of_freedom);
  return result;
}

LongRun made(const std::vector<Posterior>& all, bool line) {
  const auto sure = [&](double Posterior::*off, double Posterior::*u) {
    return sureness(half_width(all, share_of_one, off, u), half_width(all, coverage_of_two, off, u),
                    half_width(all, held_share, off, u));
  };
  LongRun result;
  if (line) result.slope = StandardUncertainty{};
  if (all.empty()) return result;
  result.mean = sure(&Posterior::mean_off, &Posterior::mean_u);
  if (line) result.slope = sure(&Posterior::slope_off, &Posterior::slope_u);
  return result;
}

}  // namespace

LongRun long_run(const Batches& batches) {
  const std::span<const double> quoted = batches.means.subspan(std::min(batches.before, batches.means.size()));
  const std::span<const double> at = batches.at.empty() ? batches.at : batches.at.subspan(batches.before);
  const auto n = static_cast<double>(quoted.size());
  const bool line = !at.empty();
  LongRun result;
  if (line) result.slope = StandardUncertainty{};
  if (quoted.size() < (line ? 3U : 2U)) return result;
  double mean = 0.0, place = 0.0, tt = 0.0, ty = 0.0;
  for (const double value : quoted) mean += value / n;
  for (const double a : at) place += a / n;
  for (std::size_t i = 0; i < at.size(); ++i) {
    tt += (at[i] - place) * (at[i] - place);
    ty += (at[i] - place) * (quoted[i] - mean);
  }
  const double slope = tt > 0.0 ? ty / tt : 0.0;
  const double reach = tt > 0.0 ? std::sqrt(tt / n) : 1.0;
  std::vector<double> off, places;
  double squares = 0.0;
  for (std::size_t i = 0; i < batches.means.size(); ++i) {
    off.push_back(batches.means[i] - mean - (line ? slope * (batches.at[i] - place) : 0.0));
    if (i >= batches.before) squares += off.back() * off.back();
    if (line) places.push_back((batches.at[i] - place) / reach);
  }
  if (!(squares > 0.0)) return result;
  const double scale = std::sqrt(squares / n);
  for (double& value : off) value /= scale;
  result = made(Mixture(batches, off, places, scale).posteriors(), line);
  result.mean.uncertainty *= scale;
  if (result.slope) result.slope->uncertainty *= scale / reach;
  return result;
}

LongRun long_run(std::span<const double> values, std::span<const double> at) {
  return long_run(Batches{values, at});
}

}  // namespace nightwatt
