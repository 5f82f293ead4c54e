#include "measure/uncertainty/display_hysteresis.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>

#include "measure/uncertainty/distributions.hpp"

namespace nightwatt {

namespace {

/// More counts than these, and noise averages the sticking out as it does the rounding.
constexpr std::size_t most_counts = 9;
constexpr std::size_t outside = 2;  ///< counts beyond those seen, on either side
constexpr std::size_t most_states = most_counts + 2 * outside;
constexpr double most_past_edge = 1.2;
constexpr double stride = 0.1;  ///< of the hysteresis, small enough to follow level and noise
constexpr int newton_steps = 12;
constexpr int bisections = 7;    // of a stride: to a thousandth of a step
constexpr int most_lags = 3000;  // of a chain that forgets more slowly a record says nothing

/// What a display with this hysteresis shows of a level with noise that forgets at once: a Markov chain of counts.
struct Chain {
  double mean = 0.0, variance = 0.0, equal = 0.0, singles = 0.0;
};

class Model {
 public:
  explicit Model(std::size_t counts) : states_(counts + 2 * outside) {}

  Chain at(double level, double noise, double past_edge) {
    moves(level + static_cast<double>(outside), noise, past_edge);
    return judged(settled());
  }

  /// By how much the variance of a long mean is more than that of independent counts, for the display last asked for:
  /// one and twice the sum of all autocorrelations.
  [[nodiscard]] double inflation() const {
    const auto share = settled();
    double mean = 0.0, variance = 0.0, sum = 0.0;
    for (std::size_t k = 0; k < states_; ++k) mean += share[k] * static_cast<double>(k);
    std::array<double, most_states> expected{}, next{};
    for (std::size_t k = 0; k < states_; ++k) {
      expected[k] = static_cast<double>(k) - mean;
      variance += share[k] * expected[k] * expected[k];
    }
    for (int lag = 1; lag < most_lags; ++lag) {
      double together = 0.0;
      for (std::size_t k = 0; k < states_; ++k) {
        next[k] = 0.0;
        for (std::size_t to = 0; to < states_; ++to) next[k] += move_[k][to] * expected[to];
        together += share[k] * (static_cast<double>(k) - mean) * next[k];
      }
      expected = next;
      sum += together;
      if (std::abs(together) < 1e-4 * variance) break;
    }
    return variance > 0.0 ? 1.0 + 2.0 * sum / variance : 1.0;
  }

 private:
  void moves(double level, double noise, double past_edge) {
    const double reach = 0.5 + past_edge;
    const auto below = [&](double x) { return normal_cdf((x - level) / noise); };
    for (std::size_t from = 0; from < states_; ++from) {
      const auto y = static_cast<double>(from);
      double sum = 0.0;
      for (std::size_t to = 0; to < states_; ++to) {
        const auto k = static_cast<double>(to);
        double p = 0.0;
        if (to > from) p = std::max(0.0, below(k + 0.5) - below(std::max(k - 0.5, y + reach)));
        if (to < from) p = std::max(0.0, below(std::min(k + 0.5, y - reach)) - below(k - 0.5));
        move_[from][to] = p;
        sum += p;
      }
      move_[from][from] = std::max(0.0, 1.0 - sum);
    }
  }

  /// Shares of the counts in the long run, by elimination without a subtraction (Grassmann, Taksar & Heyman 1985, from
  /// memory): however seldom the display moves, they are exact.
  [[nodiscard]] std::array<double, most_states> settled() const {
    auto p = move_;
    for (std::size_t n = states_ - 1; n > 0; --n) {
      double sum = 0.0;
      for (std::size_t k = 0; k < n; ++k) sum += p[n][k];
      for (std::size_t k = 0; k < n; ++k) p[k][n] /= std::max(sum, 1e-300);
      for (std::size_t i = 0; i < n; ++i)
        for (std::size_t k = 0; k < n; ++k) p[i][k] += p[i][n] * p[n][k];
    }
    std::array<double, most_states> share{};
    share[0] = 1.0;
    double total = 1.0;
    for (std::size_t k = 1; k < states_; ++k) {
      for (std::size_t i = 0; i < k; ++i) share[k] += share[i] * p[i][k];
      total += share[k];
    }
    for (double& one : share) one /= total;
    return share;
  }

  [[nodiscard]] Chain judged(const std::array<double, most_states>& share) const {
    Chain chain;
    double squares = 0.0;
    for (std::size_t k = 0; k < states_; ++k) {
      const double count = static_cast<double>(k) - static_cast<double>(outside);
      chain.mean += share[k] * count;
      squares += share[k] * count * count;
      chain.equal += share[k] * move_[k][k];
      for (std::size_t to = 0; to < states_; ++to)
        if (to != k) chain.singles += share[k] * move_[k][to] * (1.0 - move_[to][to]);
    }
    chain.variance = squares - chain.mean * chain.mean;
    return chain;
  }

  std::size_t states_;
  std::array<std::array<double, most_states>, most_states> move_{};
};

struct Fit {
  bool good = false;
  double level = 0.0, noise = 0.3;
  Chain chain;
};

/// Level and noise whose counts have the mean and variance that were seen, by Newton's method from `start`.
Fit fit(Model& model, double past_edge, double mean, double variance, Fit start) {
  constexpr double nudge = 1e-4, tolerance = 1e-5;
  Fit now = start;
  for (int i = 0; i < newton_steps; ++i) {
    now.chain = model.at(now.level, now.noise, past_edge);
    const double off = mean - now.chain.mean, spread = variance - now.chain.variance;
    now.good = std::abs(off) + std::abs(spread) < tolerance;
    if (now.good) break;
    const Chain by_level = model.at(now.level + nudge, now.noise, past_edge);
    const Chain by_noise = model.at(now.level, now.noise + nudge, past_edge);
    const double a = (by_level.mean - now.chain.mean) / nudge, b = (by_noise.mean - now.chain.mean) / nudge;
    const double c = (by_level.variance - now.chain.variance) / nudge;
    const double d = (by_noise.variance - now.chain.variance) / nudge;
    const double determinant = a * d - b * c;
    if (!(std::abs(determinant) > 1e-9)) break;
    now.level += std::clamp((off * d - spread * b) / determinant, -0.2, 0.2);
    now.noise = std::clamp(now.noise + std::clamp((spread * a - off * c) / determinant, -0.1, 0.1), 0.05, 3.0);
  }
  return now;
}

/// Of a display that only rounds; from wherever Newton's method gets there.
Fit fit_rounding(Model& model, double mean, double variance) {
  const double usual = std::sqrt(std::max(0.0, variance - 1.0 / 12.0));
  Fit last;
  for (const double noise : {std::max(0.2, usual), 0.2, 0.3, 0.4})
    for (const double beyond : {0.0, 0.1, 0.2}) {
      Fit start;
      start.noise = noise;
      start.level = mean + (mean > std::round(mean) ? beyond : -beyond);
      last = fit(model, 0.0, mean, variance, start);
      if (last.good) return last;
    }
  return last;
}

}  // namespace

std::optional<DisplayHysteresis> display_hysteresis(const ShownCounts& shown) {
  if (shown.shares.size() < 3 || shown.shares.size() > most_counts) return std::nullopt;
  double mean = 0.0, squares = 0.0;
  for (std::size_t k = 0; k < shown.shares.size(); ++k) {
    mean += shown.shares[k] * static_cast<double>(k);
    squares += shown.shares[k] * static_cast<double>(k * k);
  }
  const double variance = squares - mean * mean;
  Model model(shown.shares.size());
  Fit low = fit_rounding(model, mean, variance);
  if (!low.good || low.chain.equal >= shown.equal) return std::nullopt;
  const double rounding = low.level;
  double from = 0.0, to = stride;
  for (; to < most_past_edge; to += stride) {
    const Fit there = fit(model, to, mean, variance, low);
    if (!there.good || there.chain.equal >= shown.equal) break;
    from = to;
    low = there;
  }
  for (int i = 0; i < bisections; ++i) {
    const double middle = 0.5 * (from + to);
    const Fit there = fit(model, middle, mean, variance, low);
    const bool enough = !there.good || there.chain.equal >= shown.equal;
    (enough ? to : from) = middle;
    if (!enough) low = there;
  }
  model.at(low.level, low.noise, from);
  return DisplayHysteresis{from, low.level - rounding, low.noise, low.chain.singles, model.inflation()};
}

}  // namespace nightwatt
