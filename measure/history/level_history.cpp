#include "measure/history/level_history.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "measure/uncertainty/distributions.hpp"
#include "measure/uncertainty/level_budget.hpp"
#include "measure/uncertainty/statistics.hpp"

namespace nightwatt {

namespace {

/// How the false alarms of a history are shared out between the shapes looked for (our own choice).
constexpr double step_share = 0.4, creep_share = 0.2, night_share = 0.2, temporary_share = 0.2;
/// A step has one parameter more than a creep, its night: each costs ln n (Schwarz 1978).
constexpr double sure_posterior = 6.0;  // 2 ln 20
/// Chi-squared of one degree of freedom, 95 %: nights between which a step may lie as well.
constexpr double as_likely = 3.84;
/// Weights are made anew from the best explanation; after this many rounds they stand.
constexpr int weight_rounds = 3;
/// Halvings of twelve powers of ten: the scatter is then known to a thousandth.
constexpr int between_rounds = 16;
/// A night's chance is never taken as smaller than this share of its level: doubles end somewhere.
constexpr double least_chance = 1e-9;

using Nights = std::vector<std::size_t>;  // indices into what was given
using Columns = std::vector<std::vector<double>>;

/// Fits 1, the temperature where it is used, and more columns to nights of unequal chance, whose scatter beyond it
/// is found from the residuals.
class Regression {
 public:
  Regression(std::span<const NightLevel> nights, const Nights& chosen, bool with_temperature)
      : nights_(nights), chosen_(chosen), with_temperature_(with_temperature) {
    for (const std::size_t i : chosen_) {
      const NightLevel& night = nights_[i];
      variance_.push_back(std::max(night.random_w * night.random_w + night.display_w * night.display_w,
                                   std::pow(least_chance * (1.0 + std::abs(night.level_w)), 2)));
    }
  }

  struct Fit {
    double slope = 0.0;  ///< of the last column
    double slope_standard_deviation = 0.0;
    double level = 0.0;  ///< at 0 of all columns
    double per_degree = 0.0, per_degree_standard_deviation = 0.0;
    double degrees_of_freedom = 0.0;        ///< nights less unknowns
    double slope_degrees_of_freedom = 0.0;  ///< of slope_standard_deviation
    double between_variance = 0.0;
    double minus_two_log_likelihood = 0.0;
    std::vector<double> residuals;
  };

  /// Scatter beyond chance: such that the weighted squares of the residuals are what they should be (Paule & Mandel
  /// 1982, from memory).
  [[nodiscard]] Fit fit(const Columns& more) const {
    Fit best = weighted(more, 0.0);
    if (best.degrees_of_freedom < 1.0 || squares(best, 0.0) <= best.degrees_of_freedom) return best;
    double high = 0.0;
    for (const double r : best.residuals) high += r * r;
    high *= 4.0 / best.degrees_of_freedom;
    double low = high * 1e-12;
    for (int i = 0; i < between_rounds; ++i) {
      const double middle = std::sqrt(low * high);
      best = weighted(more, middle);
      (squares(best, middle) > best.degrees_of_freedom ? low : high) = middle;
    }
    return best;
  }

  [[nodiscard]] const std::vector<double>& variance() const { return variance_; }

  /// Unknowns of a fit beside the column: the level, and the temperature's slope.
  [[nodiscard]] std::size_t nuisances() const { return with_temperature_ ? 2 : 1; }

 private:
  [[nodiscard]] double squares(const Fit& fit, double between) const {
    double sum = 0.0;
    for (std::size_t i = 0; i < chosen_.size(); ++i)
      sum += fit.residuals[i] * fit.residuals[i] / (variance_[i] + between);
    return sum;
  }

  /// Columns made orthogonal one after the other, each to those before.
  [[nodiscard]] Fit weighted(const Columns& more, double between) const {
    const std::size_t n = chosen_.size();
    std::vector<double> w(n), y(n);
    for (std::size_t i = 0; i < n; ++i) {
      w[i] = 1.0 / (variance_[i] + between);
      y[i] = nights_[chosen_[i]].level_w;
    }
    Columns columns = {std::vector<double>(n, 1.0)};
    if (with_temperature_) {
      columns.emplace_back();
      for (const std::size_t i : chosen_) columns.back().push_back(*nights_[i].temperature);
    }
    columns.insert(columns.end(), more.begin(), more.end());
    Fit result;
    result.between_variance = between;
    result.degrees_of_freedom = static_cast<double>(n) - static_cast<double>(columns.size());
    std::vector<double> size, coefficient;
    for (std::size_t c = 0; c < columns.size(); ++c) {
      for (std::size_t before = 0; before < c; ++before) take_out(columns[before], w, columns[c]);
      size.push_back(dot(columns[c], columns[c], w));
      coefficient.push_back(size.back() > 0.0 ? take_out(columns[c], w, y) : 0.0);
    }
    result.slope = coefficient.back();
    result.slope_standard_deviation = size.back() > 0.0 ? 1.0 / std::sqrt(size.back()) : 0.0;
    result.level = coefficient.front();
    result.slope_degrees_of_freedom = sureness(result.degrees_of_freedom, columns.back(), w);
    if (with_temperature_) {
      result.per_degree = coefficient[1];
      result.per_degree_standard_deviation = size[1] > 0.0 ? 1.0 / std::sqrt(size[1]) : 0.0;
    }
    result.residuals = std::move(y);
    for (std::size_t i = 0; i < n; ++i)
      result.minus_two_log_likelihood += result.residuals[i] * result.residuals[i] * w[i] - std::log(w[i]);
    return result;
  }

  /// Degrees of freedom of a column's deviation (Welch's and Satterthwaite's way): where it hangs on nights that are
  /// surer than the rest, it hangs on the scatter between nights, of which the unsure ones tell little.
  static double sureness(double degrees_of_freedom, const std::vector<double>& column, const std::vector<double>& w) {
    double size = 0.0, squares = 0.0, weights = 0.0;
    for (std::size_t i = 0; i < w.size(); ++i) {
      weights += w[i];
      size += w[i] * column[i] * column[i];
      squares += w[i] * w[i] * column[i] * column[i];
    }
    if (!(squares > 0.0)) return degrees_of_freedom;
    const double share = size * weights / (static_cast<double>(w.size()) * squares);
    return std::max(1.0, degrees_of_freedom * std::min(1.0, share * share));
  }

  static double dot(const std::vector<double>& a, const std::vector<double>& b, const std::vector<double>& w) {
    double sum = 0.0;
    for (std::size_t i = 0; i < a.size(); ++i) sum += w[i] * a[i] * b[i];
    return sum;
  }
  static double take_out(const std::vector<double>& what, const std::vector<double>& w, std::vector<double>& from) {
    const double size = dot(what, what, w);
    if (!(size > 0.0)) return 0.0;
    const double share = dot(what, from, w) / size;
    for (std::size_t i = 0; i < from.size(); ++i) from[i] -= share * what[i];
    return share;
  }

  std::span<const NightLevel> nights_;
  const Nights& chosen_;
  const bool with_temperature_;
  std::vector<double> variance_;
};

/// Something that would explain the nights, and how likely scatter alone looks so somewhere.
struct Explanation {
  ChangeShape shape = ChangeShape::step;
  std::size_t first = 0, last = 0;  ///< nights [first, last) of those chosen are otherwise; of a step: to the end
  bool on_creep = false;            ///< of a step: the level creeps besides
  Regression::Fit fit;
  double false_share = 1.0;  ///< of one such test, times how many were made
  double cost = 0.0;         ///< description length, twice
};

class Seeker {
 public:
  Seeker(std::span<const NightLevel> nights, const Nights& chosen, bool with_temperature)
      : nights_(nights), chosen_(chosen), regression_(nights, chosen, with_temperature), with_(with_temperature) {}

  /// The best step, creep, night apart and stretch apart. Not all need be there: few nights, or all on one day. Single
  /// nights are judged beside stretches, of which there are so many more that a night would hardly ever be told.
  [[nodiscard]] std::vector<Explanation> seek() const {
    std::vector<Explanation> found;
    const auto n = static_cast<double>(chosen_.size());
    if (chosen_.size() < least_nights) return found;
    if (const auto step = best_of(Kind::step)) {
      found.push_back(priced(*step, (n - 1.0) / step_share, 2.0));
      if (chosen_.size() > least_nights) found.push_back(on_a_creep(found.back()));
    }
    if (const auto creep = creeping()) found.push_back(priced(*creep, 1.0 / creep_share, 1.0));
    if (const auto night = best_of(Kind::night)) found.push_back(priced(*night, (n - 2.0) / night_share, 2.0));
    const double stretches = (n - 2.0) * (n - 3.0) / 2.0;
    if (const auto temporary = best_of(Kind::temporary))
      found.push_back(priced(*temporary, stretches / temporary_share, 3.0));
    return found;
  }

  [[nodiscard]] std::vector<double> column_of(std::size_t first, std::size_t last) const {
    std::vector<double> column(chosen_.size(), 0.0);
    std::fill(column.begin() + static_cast<std::ptrdiff_t>(first), column.begin() + static_cast<std::ptrdiff_t>(last),
              1.0);
    return column;
  }
  [[nodiscard]] const Regression& regression() const { return regression_; }

 private:
  [[nodiscard]] Explanation priced(Explanation one, double tests, double parameters) const {
    const double t =
        one.fit.slope_standard_deviation > 0.0 ? std::abs(one.fit.slope) / one.fit.slope_standard_deviation : 0.0;
    one.false_share =
        one.fit.degrees_of_freedom >= 1.0 ? tests * 2.0 * student_cdf(-t, one.fit.slope_degrees_of_freedom) : 1.0;
    one.cost = one.fit.minus_two_log_likelihood + parameters * std::log(static_cast<double>(chosen_.size()));
    return one;
  }

  [[nodiscard]] std::optional<Explanation> creeping() const {
    if (!(nights_[chosen_.back()].day > nights_[chosen_.front()].day)) return std::nullopt;
    Explanation one;
    one.shape = ChangeShape::creep;
    one.last = chosen_.size();
    one.fit = regression_.fit({days()});
    return one;
  }

  /// The same step in a level that creeps besides. No more of a false alarm than the step alone.
  [[nodiscard]] Explanation on_a_creep(const Explanation& step) const {
    Explanation one = step;
    one.on_creep = true;
    one.fit = regression_.fit({days(), column_of(step.first, step.last)});
    one = priced(one, (static_cast<double>(chosen_.size()) - 1.0) / step_share, 3.0);
    one.cost -= 2.0 * std::log(creep_share);  // that both happen is as much rarer
    one.false_share = std::max(one.false_share, step.false_share);
    return one;
  }

  [[nodiscard]] std::vector<double> days() const {
    std::vector<double> column;
    for (const std::size_t i : chosen_) column.push_back(nights_[i].day);
    return column;
  }

  enum class Kind : std::uint8_t { step, night, temporary };  ///< nights and stretches end before the last night

  /// Of all of a kind: the one that takes most out of the squares, the weights made anew for it.
  [[nodiscard]] std::optional<Explanation> best_of(Kind kind) const {
    Explanation one;
    one.shape = kind == Kind::step ? ChangeShape::step : ChangeShape::apart;
    Regression::Fit about = regression_.fit({});
    std::optional<std::pair<std::size_t, std::size_t>> place;
    for (int round = 0; round < weight_rounds; ++round) {
      const auto next = most_explained(kind, about.between_variance);
      if (!next || next == place) break;
      place = next;
      about = regression_.fit({column_of(next->first, next->second)});
      one.first = next->first;
      one.last = next->second;
      one.fit = about;
    }
    return place ? std::optional(one) : std::nullopt;
  }

  /// By sums from the front: each place costs a few operations.
  [[nodiscard]] std::optional<std::pair<std::size_t, std::size_t>> most_explained(Kind kind, double between) const {
    const std::size_t n = chosen_.size();
    std::vector<double> weight(n + 1, 0.0), pull(n + 1, 0.0), lean(n + 1, 0.0);
    double sum = 0.0, mean_y = 0.0, mean_c = 0.0, cc = 0.0, cy = 0.0;
    const auto w = [&](std::size_t i) { return 1.0 / (regression_.variance()[i] + between); };
    const auto c = [&](std::size_t i) { return with_ ? *nights_[chosen_[i]].temperature : 0.0; };
    for (std::size_t i = 0; i < n; ++i) {
      sum += w(i);
      mean_y += w(i) * nights_[chosen_[i]].level_w;
      mean_c += w(i) * c(i);
    }
    mean_y /= sum;
    mean_c /= sum;
    for (std::size_t i = 0; i < n; ++i) {
      cc += w(i) * (c(i) - mean_c) * (c(i) - mean_c);
      cy += w(i) * (c(i) - mean_c) * (nights_[chosen_[i]].level_w - mean_y);
    }
    const double per_degree = cc > 0.0 ? cy / cc : 0.0;
    for (std::size_t i = 0; i < n; ++i) {
      weight[i + 1] = weight[i] + w(i);
      lean[i + 1] = lean[i] + w(i) * (c(i) - mean_c);
      pull[i + 1] = pull[i] + w(i) * (nights_[chosen_[i]].level_w - mean_y - per_degree * (c(i) - mean_c));
    }
    double most = 0.0;
    std::optional<std::pair<std::size_t, std::size_t>> place;
    const auto look = [&](std::size_t first, std::size_t last) {
      const double inside = weight[last] - weight[first], leans = lean[last] - lean[first];
      const double size = inside - inside * inside / sum - (cc > 0.0 ? leans * leans / cc : 0.0);
      if (!(size > 1e-9 * inside)) return;
      const double by = pull[last] - pull[first];
      if (by * by / size <= most) return;
      most = by * by / size;
      place = {first, last};
    };
    for (std::size_t first = 1; first < n; ++first) {
      if (kind == Kind::step) look(first, n);
      if (kind == Kind::night && first + 1 < n) look(first, first + 1);
      for (std::size_t last = first + 2; kind == Kind::temporary && last < n; ++last) look(first, last);
    }
    return place;
  }

  std::span<const NightLevel> nights_;
  const Nights& chosen_;
  const Regression regression_;
  const bool with_;
};

/// Finds the changes of a history by taking out the surest one and looking again on either side of it.
class Judge {
 public:
  Judge(std::span<const NightLevel> nights, const HistorySettings& settings) : nights_(nights), settings_(settings) {
    double lowest = std::numeric_limits<double>::infinity(), highest = -lowest;
    with_temperature_ = !nights.empty();
    for (const NightLevel& night : nights) {
      if (!night.temperature) with_temperature_ = false;
      lowest = std::min(lowest, night.temperature.value_or(0.0));
      highest = std::max(highest, night.temperature.value_or(0.0));
    }
    constexpr double no_difference = 0.5;  // degrees: a room that is kept tells no slope
    constexpr std::size_t least_for_slope = least_nights + 2;
    with_temperature_ = with_temperature_ && highest - lowest > no_difference && nights.size() >= least_for_slope;
  }

  HistoryVerdict run() {
    Nights all;
    for (std::size_t i = 0; i < nights_.size(); ++i) all.push_back(i);
    verdict_.judged = all.size() >= least_nights;
    if (verdict_.judged) {
      look(all);
      std::sort(verdict_.changes.begin(), verdict_.changes.end(),
                [](const LevelChange& a, const LevelChange& b) { return a.from < b.from; });
      scatter();
    }
    compare_last();
    return verdict_;
  }

 private:
  void look(const Nights& chosen) {
    Nights rest = chosen;
    // Each turn takes out a change: fewer nights are left.
    while (rest.size() >= least_nights) {
      const Seeker seeker(nights_, rest, with_temperature_);
      const std::vector<Explanation> all = seeker.seek();
      const double allowed =
          settings_.false_alarms * static_cast<double>(rest.size()) / static_cast<double>(nights_.size());
      const Explanation* best = nullptr;
      for (const Explanation& one : all)
        if (one.false_share <= allowed && (best == nullptr || one.cost < best->cost)) best = &one;
      if (best == nullptr) {
        quiet_.push_back(rest);
        return;
      }
      verdict_.changes.push_back(told(*best, all, seeker, rest));
      if (best->shape == ChangeShape::creep) {
        creeping_.push_back(rest);
        return;
      }
      const auto at = [&](std::size_t i) { return rest.begin() + static_cast<std::ptrdiff_t>(i); };
      const Nights within(at(best->first), at(best->last));
      Nights outside(rest.begin(), at(best->first));
      outside.insert(outside.end(), at(best->last), rest.end());
      look(within);
      rest = std::move(outside);
    }
    quiet_.push_back(rest);
  }

  [[nodiscard]] double display_of(const Nights& chosen, std::size_t first, std::size_t last, bool inside) const {
    double sum = 0.0, count = 0.0;
    for (std::size_t i = 0; i < chosen.size(); ++i)
      if ((i >= first && i < last) == inside) {
        sum += nights_[chosen[i]].display_w;
        count += 1.0;
      }
    return count > 0.0 ? sum / count : 0.0;
  }

  /// By how much the level differs from one side of the change to the other; of a creep, over all its nights.
  [[nodiscard]] double total_of(const Explanation& one, const Nights& chosen) const {
    return one.fit.slope * times_of(one, chosen);
  }
  [[nodiscard]] double times_of(const Explanation& one, const Nights& chosen) const {
    return one.shape == ChangeShape::creep ? nights_[chosen.back()].day - nights_[chosen.front()].day : 1.0;
  }

  /// Of that, as if its shape were known; expanded.
  [[nodiscard]] double uncertainty_of(const Explanation& one, const Nights& chosen) const {
    const double inside = display_of(chosen, one.first, one.last, true);
    const double display = one.shape == ChangeShape::creep
                               ? M_SQRT2 * inside
                               : std::hypot(inside, display_of(chosen, one.first, one.last, false));
    const double gain = settings_.gain_standard_deviation * total_of(one, chosen);
    const double chance = one.fit.slope_standard_deviation * times_of(one, chosen);
    return std::hypot(coverage_factor(one.fit.slope_degrees_of_freedom) * chance, 2.0 * std::hypot(display, gain));
  }

  [[nodiscard]] LevelChange told(const Explanation& one, const std::vector<Explanation>& all, const Seeker& seeker,
                                 const Nights& chosen) const {
    LevelChange change;
    change.shape = one.shape;
    change.false_share = std::min(1.0, one.false_share);
    const double base = mean_level_without(one, chosen);
    if (one.shape == ChangeShape::creep) {
      change.w_per_day = one.fit.slope;
      change.from = chosen.front();
      change.to = chosen.back();
    } else if (one.shape == ChangeShape::step) {
      change.from = chosen[one.first - 1];
      change.to = chosen[one.first];
    } else {
      change.from = chosen[one.first];
      change.to = chosen[one.last - 1];
    }
    change.change_w = total_of(one, chosen);
    change.before_w = base;
    change.after_w = base + change.change_w;
    change.uncertainty_w = uncertainty_of(one, chosen);
    place(change, one, seeker, chosen);
    for (const Explanation& other : all) {
      if (&other == &one || other.shape == ChangeShape::apart || one.shape == ChangeShape::apart) continue;
      // Beside a creep alone, a step on it is no other size of the creep.
      if ((other.on_creep && one.shape == ChangeShape::creep) || other.cost - one.cost > sure_posterior) continue;
      if (other.shape != one.shape && !one.on_creep) change.shape_sure = false;
      // It may be the other, and a step through a creep is half of it: the interval reaches over both.
      const double between = std::abs(total_of(other, chosen) - change.change_w);
      change.uncertainty_w = std::max(change.uncertainty_w, between + uncertainty_of(other, chosen));
    }
    return change;
  }

  /// The level before a change, as the nights showed it; of a creep, where its line begins.
  [[nodiscard]] double mean_level_without(const Explanation& one, const Nights& chosen) const {
    double sum = 0.0, weights = 0.0;
    const bool creep = one.shape == ChangeShape::creep;
    for (std::size_t i = 0; i < chosen.size(); ++i) {
      const NightLevel& night = nights_[chosen[i]];
      if (!creep && i >= one.first && i < one.last) continue;
      const double w = 1.0 / (std::pow(night.random_w, 2) + one.fit.between_variance + 1e-300);
      sum += w * (night.level_w - (creep ? one.fit.slope * (night.day - nights_[chosen.front()].day) : 0.0));
      weights += w;
    }
    return sum / weights;
  }

  /// The nights between which the step may lie about as well as where it is told.
  void place(LevelChange& change, const Explanation& one, const Seeker& seeker, const Nights& chosen) const {
    change.earliest = change.from;
    change.latest = change.to;
    if (one.shape != ChangeShape::step) return;
    for (std::size_t first = 1; first < chosen.size(); ++first) {
      const Regression::Fit fit = seeker.regression().fit({seeker.column_of(first, chosen.size())});
      if (fit.minus_two_log_likelihood - one.fit.minus_two_log_likelihood > as_likely) continue;
      change.earliest = std::min(change.earliest, chosen[first - 1]);
      change.latest = std::max(change.latest, chosen[first]);
    }
  }

  /// Between nights, changes left out; and the temperature's slope, of the longest stretch without a change.
  void scatter() {
    double squares = 0.0, degrees_of_freedom = 0.0;
    const Nights* longest = nullptr;
    const auto take = [&](const Nights& chosen, bool creeping) {
      if (chosen.size() < 2) return;
      const Regression regression(nights_, chosen, with_temperature_ && chosen.size() >= least_nights);
      std::vector<double> days;
      for (const std::size_t i : chosen) days.push_back(nights_[i].day);
      const Regression::Fit fit = regression.fit(creeping ? Columns{days} : Columns{});
      if (fit.degrees_of_freedom < 1.0) return;
      squares += fit.degrees_of_freedom * fit.between_variance;
      degrees_of_freedom += fit.degrees_of_freedom;
      if (longest == nullptr || chosen.size() > longest->size()) longest = &chosen;
    };
    for (const Nights& chosen : quiet_) take(chosen, false);
    for (const Nights& chosen : creeping_) take(chosen, true);
    if (degrees_of_freedom > 0.0) verdict_.between_w = std::sqrt(squares / degrees_of_freedom);
    if (!with_temperature_ || longest == nullptr || longest->size() < least_nights + 1) return;
    const bool creeping = std::find(creeping_.begin(), creeping_.end(), *longest) != creeping_.end();
    std::vector<double> days;
    for (const std::size_t i : *longest) days.push_back(nights_[i].day);
    const Regression::Fit fit = Regression(nights_, *longest, true).fit(creeping ? Columns{days} : Columns{});
    if (fit.degrees_of_freedom >= 1.0 && fit.per_degree_standard_deviation > 0.0)
      verdict_.w_per_degree =
          Slope{fit.per_degree, coverage_factor(fit.degrees_of_freedom) * fit.per_degree_standard_deviation};
  }

  void compare_last() {
    if (nights_.size() < 2) return;
    const std::size_t last = nights_.size() - 1;
    std::size_t begin = 0;
    for (const LevelChange& change : verdict_.changes)
      if (change.shape == ChangeShape::step && change.to < last) begin = std::max(begin, change.to);
    double weights = 0.0, sum = 0.0, display = 0.0;
    const double between = verdict_.between_w * verdict_.between_w;
    for (std::size_t i = begin; i < last; ++i) {
      const double w = 1.0 / (std::pow(nights_[i].random_w, 2) + between + 1e-300);
      weights += w;
      sum += w * nights_[i].level_w;
      display += nights_[i].display_w;
    }
    display /= static_cast<double>(last - begin);
    verdict_.last_w = nights_[last].level_w - sum / weights;
    verdict_.last_uncertainty_w = 2.0 * std::sqrt(1.0 / weights + std::pow(nights_[last].random_w, 2) + between +
                                                  display * display + std::pow(nights_[last].display_w, 2) +
                                                  std::pow(settings_.gain_standard_deviation * *verdict_.last_w, 2));
  }

  std::span<const NightLevel> nights_;
  const HistorySettings settings_;
  bool with_temperature_ = false;
  HistoryVerdict verdict_;
  std::vector<Nights> quiet_, creeping_;
};

}  // namespace

std::string_view change_shape_name(ChangeShape shape) {
  constexpr std::array<std::string_view, 3> names = {"step", "creep", "apart"};
  return names[static_cast<std::size_t>(shape)];
}

HistoryVerdict judge_history(std::span<const NightLevel> nights, const HistorySettings& settings) {
  const std::size_t left_out = nights.size() > most_nights ? nights.size() - most_nights : 0;
  HistoryVerdict verdict = Judge(nights.subspan(left_out), settings).run();
  for (LevelChange& change : verdict.changes)
    for (std::size_t* index : {&change.from, &change.to, &change.earliest, &change.latest}) *index += left_out;
  return verdict;
}

std::optional<LevelChange> newly_moved(std::span<const NightLevel> nights, const HistorySettings& settings) {
  if (nights.size() < least_nights) return std::nullopt;
  const HistoryVerdict with = judge_history(nights, settings);
  const HistoryVerdict without = judge_history(nights.first(nights.size() - 1), settings);
  if (with.changes.size() <= without.changes.size()) return std::nullopt;
  // The newest of them: a change further back that one night more made sure is still the newest that was not known.
  return with.changes.back();
}

}  // namespace nightwatt
