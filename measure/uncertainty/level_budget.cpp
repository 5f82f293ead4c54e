#include "measure/uncertainty/level_budget.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <limits>
#include <map>
#include <utility>

#include "measure/signal/advice.hpp"
#include "measure/uncertainty/display_hysteresis.hpp"
#include "measure/uncertainty/distributions.hpp"
#include "measure/uncertainty/long_run.hpp"
#include "measure/uncertainty/mixture.hpp"
#include "measure/uncertainty/quantised_level.hpp"
#include "measure/uncertainty/quick_noise.hpp"
#include "measure/uncertainty/statistics.hpp"
#include "signal/display_resolution.hpp"
#include "uncertainty/level.hpp"
#include "uncertainty/reading_trail.hpp"
#include "uncertainty/settling.hpp"

namespace nightwatt {

namespace {

constexpr const char* accuracy_name = "meter accuracy";
constexpr double infinity = std::numeric_limits<double>::infinity();
/// What lies this many deviations (of the middle half, as if normal) from the median is an excursion, where few are.
constexpr double excursion_deviations = 6.0;
constexpr double excursion_share = 0.1;
/// What of the first third lies further off than this many deviations of the bins after it had not settled.
constexpr double settled_deviations = 5.0;
/// A slope this many of its own uncertainties from zero is the level's drift and not its noise.
constexpr double drift_significance = 4.0;
/// From here on rounding is as good as a little more noise: its bias is below 1e-8 of a step (Widrow, Kollar & Liu
/// 1996).
constexpr double dithered_steps = 1.0;
/// A creeping level is still where few readings lie further from the line than this many steps.
constexpr double still_reach = 0.65;
constexpr double still_share = 0.005;
/// Readings that count one by one and readings weighted by their time may differ by this much of a step; more, and the
/// meter speaks when something changes: its counts say nothing of how long they were shown.
constexpr double even_reading = 0.1;
/// Correlation counts where it makes the interval wider than that of independent readings by more than this.
constexpr double least_widening = 1.05;
/// Fewer bins than this and their scatter is no estimate of anything.
constexpr std::size_t fewest_bins = 4;

std::string number_text(double value, int digits = 3) {
  std::array<char, 32> text;
  const auto [end, error] =
      std::to_chars(text.data(), text.data() + text.size(), value, std::chars_format::general, digits);
  return std::string(text.data(), end);
}

/// One bin of the quoted part.
struct View {
  const SketchBin* bin = nullptr;
  double at_s = 0.0;           ///< its middle, from the stretch's begin
  bool broken_before = false;  ///< a bin was left out between this and the one before
};

/// The last two thirds in time, bins that an excursion spoils left out; and the third before, which tells of the noise.
struct Pieces {
  std::vector<View> quoted, early;
};

/// How far a bin of the quoted part may be from their median.
struct Usual {
  double median = 0.0;
  double limit = std::numeric_limits<double>::infinity();
  [[nodiscard]] bool holds(const View& view) const { return std::abs(view.bin->mean - median) <= limit; }
};

double interval_s(const SketchBin& bin) {
  return bin.n > 0 ? bin.covered_s / static_cast<double>(bin.n) : 0.0;
}

Usual usual_of(const std::vector<View>& views, double step_w) {
  std::vector<double> means, off;
  for (const View& view : views) means.push_back(view.bin->mean);
  Usual usual{median_of(means)};
  for (const double mean : means) off.push_back(std::abs(mean - usual.median));
  usual.limit = excursion_deviations * std::max(1.4826 * median_of(std::move(off)), step_w);
  return usual;
}

/// Whether the third before is of the same level: a device that warms up says nothing of the noise after it.
bool settled(const Pieces& parts) {
  Moments moments;
  for (const View& view : parts.quoted) moments.add(view.bin->mean);
  return std::all_of(parts.early.begin(), parts.early.end(), [&](const View& view) {
    return std::abs(view.bin->mean - moments.mean()) <= settled_deviations * moments.standard_deviation();
  });
}

Pieces parts_of(const Regime& regime, double step_w) {
  const std::vector<SketchBin>& all = regime.sketch.bins();
  Pieces parts;
  if (all.empty()) return parts;
  const UtcTime from = regime.begin + Duration((regime.end - regime.begin).count() / 3);
  std::size_t first = 0;
  // Of three readings none is to spare.
  while (all.size() > 3 && first + 1 < all.size() && regime.sketch.bin_begin(all[first]) < from) ++first;
  const Duration width = to_duration({regime.sketch.width_s()});
  std::vector<View> views;
  for (std::size_t i = 0; i < all.size(); ++i) {
    const UtcTime begin = regime.sketch.bin_begin(all[i]);
    const UtcTime end = std::max(begin, std::min(begin + width, regime.end));
    (i < first ? parts.early : views)
        .push_back({&all[i], to_seconds(begin - regime.begin).value + 0.5 * to_seconds(end - begin).value, false});
  }
  const Usual usual = usual_of(views, step_w);
  const auto outside = std::count_if(views.begin(), views.end(), [&](const View& view) { return !usual.holds(view); });
  const bool many = static_cast<double>(outside) > excursion_share * static_cast<double>(views.size());
  bool left_out = false;
  for (const View& view : views) {
    if (!many && !usual.holds(view)) {
      left_out = true;
      continue;
    }
    parts.quoted.push_back(view);
    parts.quoted.back().broken_before = std::exchange(left_out, false);
  }
  if (!settled(parts)) parts.early.clear();
  return parts;
}

/// Statistics of the readings about their own slope, where they have one.
struct Scatter {
  double readings = 0.0;
  double mean_w = 0.0;       ///< each reading alike
  double time_mean_w = 0.0;  ///< each stretch of time alike
  double standard_deviation_w = 0.0;
  double inflation = 1.0;  ///< of the variance of the mean, by correlation
  double degrees_of_freedom = 1.0;
  double slope_w_per_s = 0.0;      ///< as fitted
  double slope_uncertainty = 0.0;  ///< standard, correlation counted
  double slope_degrees_of_freedom = 1.0;
  bool drifts = false;
  double centre_s = 0.0;       ///< of the readings
  double time_centre_s = 0.0;  ///< of the time: a reading's is the interval before it
};

/// Of the bins' means about the level or its slope, and of the readings in them.
class ScatterMaker {
 public:
  /// `variance_inflation`: see readings_per_independent().
  ScatterMaker(const Pieces& parts, std::span<const double> variance_inflation)
      : views_(parts.quoted), early_(parts.early), variance_inflation_(variance_inflation) {}

  Scatter make() {
    means();
    judge(false, 0.0, out_.standard_deviation_w, out_.inflation, out_.degrees_of_freedom);
    slope();
    return out_;
  }

 private:
  static double n_of(const View& view) { return static_cast<double>(view.bin->n); }

  void means() {
    double covered = 0.0, integral = 0.0, at = 0.0, time_at = 0.0;
    const double about = views_.front().bin->mean;
    for (const View& view : views_) {
      out_.readings += n_of(view);
      out_.mean_w += n_of(view) * (view.bin->mean - about);
      at += n_of(view) * view.at_s;
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

  [[nodiscard]] double residual(const View& view, double slope) const {
    return view.bin->mean - out_.mean_w - slope * (view.at_s - out_.centre_s);
  }

  /// Deviation of the readings, and how much worse than as many independent ones their mean is: the scatter of the
  /// bins' means holds whatever correlation is shorter than a bin, their own correlation the rest. Returns what the
  /// bins say of the slope, where one is asked for.
  StandardUncertainty judge(bool line, double slope, double& standard_deviation, double& inflation,
                            double& degrees_of_freedom) const {
    const double parameters = line ? 2.0 : 1.0;
    double squares = 0.0;
    for (const View& view : views_)
      squares += view.bin->m2 + n_of(view) * residual(view, slope) * residual(view, slope);
    const double variance = out_.readings > parameters ? squares / (out_.readings - parameters) : 0.0;
    standard_deviation = std::sqrt(std::max(0.0, variance));
    inflation = 1.0;
    degrees_of_freedom = std::max(1.0, out_.readings - parameters);
    if (!(variance > 0.0)) return {};
    const Gathered gathered = gather(line, slope);
    const LongRun run = long_run(gathered.batches(variance_inflation_));
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
    [[nodiscard]] Batches batches(std::span<const double> variance_inflation) const {
      return {values, places, before, readings, within, within_degrees_of_freedom, variance_inflation};
    }
  };
  [[nodiscard]] Gathered gather(bool line, double slope) const {
    Gathered out;
    std::vector<double> sizes;
    for (const View& view : views_) sizes.push_back(n_of(view));
    out.readings = median_of(std::move(sizes));
    const auto take = [&](const View& view) {
      if (2.0 * n_of(view) < out.readings) return;
      out.values.push_back(residual(view, slope));
      if (line) out.places.push_back(view.at_s);
    };
    for (const View& view : early_) take(view);
    out.before = out.values.size();
    for (const View& view : views_) {
      take(view);
      out.within += view.bin->m2;
      out.within_degrees_of_freedom += n_of(view) - 1.0;
    }
    if (out.within_degrees_of_freedom > 0.0) out.within /= out.within_degrees_of_freedom;
    return out;
  }

  void slope() {
    double tt = 0.0, tp = 0.0;
    for (const View& view : views_) {
      const double t = view.at_s - out_.centre_s;
      tt += n_of(view) * t * t;
      tp += n_of(view) * t * (view.bin->mean - out_.mean_w);
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

  const std::vector<View>&views_, &early_;
  const std::span<const double> variance_inflation_;
  Scatter out_;
};

/// What a display does with the digits it does not show, and how likely that is before anything is seen. From common
/// practice, no source; the largest chance of cutting off with which the interval of a display of which nothing is told
/// remains that of one that rounds. Any larger one makes it half a step wider for every reader (docs/blind-alleys.md).
struct RoundingPrior {
  Rounding rounding;
  double prior;
  double offset_steps;  ///< added to the level
};
constexpr std::array rounding_priors = {RoundingPrior{Rounding::rounds, 0.96, 0.0},
                                        RoundingPrior{Rounding::truncates, 0.04, 0.5}};

/// How likely it is that one of the two is wrong, by a scale or a clock, and so that they lie apart by this much and no
/// other step: 1 % in 100 steps either way (from common practice, no source).
constexpr double contradiction_per_step = 0.01 / 200.0;

struct RoundingAnswer {
  double posterior = 0.0;
  double offset_w = 0.0;
};

/// How likely the power readings are to lie this far from the counter: rectangular parts and the rest.
double likelihood_of(double apart_w, const LevelBudget& power, double counter_u) {
  double half_width_w = 0.0, squares = counter_u * counter_u;
  for (const BudgetPart& part : power.parts)
    if (part.rectangular)
      half_width_w += part.uncertainty_w * std::sqrt(3.0);
    else
      squares += part.uncertainty_w * part.uncertainty_w;
  // Below this share of a step nothing is known of a display: a likelihood may be small and is never 0.
  constexpr double least_steps = 0.01;
  const double s = std::max(std::sqrt(squares), least_steps * power.step_w);
  const double w = std::max(half_width_w, least_steps * power.step_w);
  return (normal_cdf((apart_w + w) / s) - normal_cdf((apart_w - w) / s)) / (2.0 * w);
}

/// The likeliest first, as many as hold coverage_of_two.
std::vector<RoundingAnswer> rounding_posterior(const LevelBudget& power, const CounterLevel& counter) {
  std::vector<RoundingAnswer> answers;
  double sum = 0.0;
  for (const RoundingPrior& one : rounding_priors) {
    const double offset_w = one.offset_steps * power.step_w;
    const double apart_w = counter.level_w - power.level_w - offset_w;
    answers.push_back({one.prior * likelihood_of(apart_w, power, counter.uncertainty_w), offset_w});
    sum += answers.back().posterior;
  }
  if (!(sum * power.step_w > contradiction_per_step)) return {{1.0, 0.0}};
  std::sort(answers.begin(), answers.end(),
            [](const RoundingAnswer& a, const RoundingAnswer& b) { return a.posterior > b.posterior; });
  double held = 0.0;
  std::size_t kept = 0;
  while (kept < answers.size() && held < coverage_of_two) held += (answers[kept++].posterior /= sum);
  answers.resize(kept);
  return answers;
}

/// Collects the parts of one budget, the meter's accuracy left out.
class Maker {
 public:
  Maker(const Regime& regime, double step_w, Rounding rounding) : regime_(regime), rounding_(rounding) {
    budget_.step_w = step_w;
  }

  std::optional<LevelBudget> make() {
    if (regime_.cycles) {
      by_cycles(*regime_.cycles);
      return budget_;
    }
    Pieces parts = parts_of(regime_, budget_.step_w);
    if (parts.quoted.empty()) return std::nullopt;
    const std::vector<double> variance_inflation = readings_per_independent(regime_.sketch, budget_.step_w);
    scatter_ = ScatterMaker(parts, variance_inflation).make();
    views_ = std::move(parts.quoted);
    if (scatter_.readings < 1.0) return std::nullopt;
    budget_.readings = static_cast<std::int64_t>(scatter_.readings);
    budget_.effective_readings = scatter_.readings / scatter_.inflation;
    power_level();
    slope();
    drift();
    join_counter();
    unknown_display();
    return budget_;
  }
  [[nodiscard]] double shown_w() const { return scatter_.time_mean_w; }

 private:
  void add(std::string name, double uncertainty_w, double degrees_of_freedom, bool rectangular, bool shared,
           std::string how) {
    budget_.parts.push_back(
        {std::move(name), uncertainty_w, degrees_of_freedom, rectangular, shared, 0.0, std::move(how)});
  }
  /// The same display and the same meter stand behind the next stretch too.
  void add_shared(std::string name, double half_width_w, std::string how) {
    add(std::move(name), half_width_w / std::sqrt(3.0), infinity, true, true, std::move(how));
  }
  [[nodiscard]] double cut_off() const { return rounding_ == Rounding::truncates ? 0.5 * budget_.step_w : 0.0; }

  /// A device that cycles: the mean of its whole cycles. Each phase may be rounded by up to half a step.
  void by_cycles(const Cycles& cycles) {
    budget_.readings = regime_.samples;
    budget_.effective_readings = static_cast<double>(cycles.n);
    budget_.level_w = cycles.mean_w + cut_off();
    add("statistics", cycles.uncertainty_w, static_cast<double>(cycles.n - 1), false, false,
        std::to_string(cycles.n) + " whole cycles");
    if (budget_.step_w > 0.0)
      add_shared("display step", 0.5 * budget_.step_w, "half a step of " + number_text(budget_.step_w) + " W");
  }

  void power_level() {
    const double step = budget_.step_w;
    const bool fine = scatter_.standard_deviation_w >= dithered_steps * step;
    if (step > 0.0 && !fine && from_counts()) return;
    budget_.level_w = scatter_.time_mean_w + cut_off();
    by_time_ = true;
    add("statistics", statistics_w(), scatter_.degrees_of_freedom, false, false, scatter_words());
    if (scatter_.standard_deviation_w > 0.0) budget_.noise_w = scatter_.standard_deviation_w;
    if (!fine && step > 0.0) {
      add_shared("display step", 0.5 * step,
                 "how often each count of " + number_text(step) + " W was shown is not known");
    } else if (step > 0.0) {
      const double noise = std::sqrt(
          std::max(0.0, scatter_.standard_deviation_w * scatter_.standard_deviation_w / (step * step) - 1.0 / 12.0));
      const double bias = step / M_PI * std::exp(-2.0 * M_PI * M_PI * noise * noise);
      add_shared("display step", bias,
                 "step " + number_text(step) + " W, averaged out by noise of " + number_text(noise * step) + " W");
    }
  }

  /// What each bin showed, as counts of the step; false where that is not known or they are none.
  bool gather_counts() {
    if (!regime_.sketch.counted()) return false;
    if (std::abs(scatter_.time_mean_w - scatter_.mean_w) > even_reading * budget_.step_w) return false;
    if (speaks_on_change()) return false;
    for (const View& view : views_) {
      std::map<std::int64_t, double> counts;
      for (const ShownValue& shown : regime_.sketch.shown(*view.bin)) {
        const double steps = static_cast<double>(shown.microwatts) * 1e-6 / budget_.step_w;
        if (!(std::abs(steps) < 1e15) || std::abs(steps - std::round(steps)) > 0.01) return false;
        counts[std::llround(steps)] += static_cast<double>(shown.n);
      }
      counts_.push_back(std::move(counts));
    }
    drop_strays();
    drop_mixed();
    return true;
  }

  /// A meter that sends what has changed: hardly two readings alike, and now many in a bin, now few. Its counts say how
  /// often each was come to, not how long it was shown.
  [[nodiscard]] bool speaks_on_change() const {
    constexpr std::int64_t fewest_pairs = 200;
    constexpr double least_sigmas = 6.0, most_alike = 0.5;
    const TieStatistics& repeats = regime_.sketch.repeats();
    if (repeats.pairs < fewest_pairs || views_.size() < fewest_bins) return false;
    std::map<std::int64_t, double> counts;
    double n = 0.0, alike = 0.0;
    std::int64_t fewest = std::numeric_limits<std::int64_t>::max(), most = 0;
    for (std::size_t i = 0; i < views_.size(); ++i) {
      for (const ShownValue& shown : regime_.sketch.shown(*views_[i].bin)) {
        counts[shown.microwatts] += static_cast<double>(shown.n);
        n += static_cast<double>(shown.n);
      }
      if (i == 0 || i + 1 == views_.size()) continue;  // part of a bin
      fewest = std::min(fewest, views_[i].bin->n);
      most = std::max(most, views_[i].bin->n);
    }
    for (const auto& [value, count] : counts) alike += (count / n) * (count / n);
    const auto pairs = static_cast<double>(repeats.pairs);
    const double equal = static_cast<double>(repeats.equal) / pairs;
    const double by_chance = std::sqrt(alike * (1.0 - alike) / pairs);
    return most > fewest + 2 && equal < most_alike * alike && alike - equal > least_sigmas * by_chance;
  }

  /// Single readings far away: left out as longer excursions are.
  void drop_strays() {
    double all = 0.0, far = 0.0;
    const auto is_far = [&](std::int64_t count) {
      return std::abs(static_cast<double>(count) - scatter_.mean_w / budget_.step_w) > 2.0 * excursion_deviations;
    };
    for (const auto& counts : counts_)
      for (const auto& [count, n] : counts) {
        all += n;
        if (is_far(count)) far += n;
      }
    if (far == 0.0 || far > excursion_share * all) return;
    for (auto& counts : counts_) std::erase_if(counts, [&](const auto& one) { return is_far(one.first); });
  }

  /// A meter that averages shows something between two levels where they meet: the only reading of its count, and the
  /// stretch's last. As a third count it would tell a noise that is not there.
  void drop_mixed() {
    if (views_.back().bin != &regime_.sketch.bins().back()) return;
    const auto elsewhere = [&](std::int64_t count) {
      return std::any_of(counts_.begin(), counts_.end() - 1, [&](const auto& one) { return one.contains(count); });
    };
    auto& last = counts_.back();
    if (counts_.size() < 2 || last.size() < 2) return;
    for (const auto end : {last.begin(), std::prev(last.end())})
      if (end->second == 1.0 && !elsewhere(end->first)) {
        last.erase(end);
        return;
      }
  }

  static void put(CountGroup& group, const std::map<std::int64_t, double>& counts) {
    for (const auto& [count, n] : counts) {
      if (group.counts.empty()) group.lowest = count;
      while (count < group.lowest) {
        group.counts.insert(group.counts.begin(), 0.0);
        --group.lowest;
      }
      const auto place = static_cast<std::size_t>(count - group.lowest);
      if (group.counts.size() <= place) group.counts.resize(place + 1, 0.0);
      group.counts[place] += n;
    }
  }

  /// One group of a level that stays; of one that drifts a group for each bin.
  [[nodiscard]] std::vector<CountGroup> groups() const {
    std::vector<CountGroup> all(scatter_.drifts ? counts_.size() : 1);
    for (std::size_t i = 0; i < counts_.size(); ++i) {
      CountGroup& group = all[scatter_.drifts ? i : 0];
      if (scatter_.drifts)
        group.offset = scatter_.slope_w_per_s * (views_[i].at_s - scatter_.centre_s) / budget_.step_w;
      put(group, counts_[i]);
    }
    return all;
  }

  /// Below the display step: level and noise that make these counts likely.
  bool from_counts() {
    if (!gather_counts()) return false;
    const double step = budget_.step_w;
    if (still_drift()) return true;
    const std::vector<CountGroup> all = groups();
    const QuantisedLevel found =
        quantised_level(all, scatter_.inflation, scatter_.degrees_of_freedom, rounding_ == Rounding::truncates);
    budget_.level_w = found.level * step;
    budget_.bounded_by_display = display_hides_ = !found.separated;
    if (found.separated) {
      budget_.noise_w = found.noise * step;
      const double t = coverage_factor(0.95, scatter_.degrees_of_freedom);
      add("statistics", found.half_width * step / t, scatter_.degrees_of_freedom, false, false,
          scatter_words() + ", most likely level behind a step of " + number_text(step) + " W");
      add_shared("display step", 0.0, "in the statistics: the counts tell level and noise apart");
    } else {
      by_display(found);
    }
    if (found.separated) hysteresis(all);
    return true;
  }

  /// The counts do not tell level and noise apart: what the display leaves open.
  void by_display(const QuantisedLevel& found) {
    const double step = budget_.step_w;
    add("statistics", 0.0, infinity, false, false, "in the display step: the counts do not tell level and noise apart");
    if (found.hard) {
      add_shared("display step", found.half_width * step, "all that a step of " + number_text(step) + " W leaves open");
      return;
    }
    // Noise need not be Gaussian: a meter that dithers by itself shows the level as its mean, and the interval holds
    // that too.
    const double mean_w = scatter_.time_mean_w + cut_off();
    const double unsure_w = coverage_factor(scatter_.degrees_of_freedom) * statistics_w();
    double low = budget_.level_w - found.half_width * step, high = budget_.level_w + found.half_width * step;
    if (mean_w > budget_.level_w) high = std::max(high, mean_w + unsure_w);
    if (mean_w < budget_.level_w) low = std::min(low, mean_w - unsure_w);
    budget_.level_w = 0.5 * (low + high);
    // Its ends are limits of 95 % and no rectangle's edges (GUM 4.3.4).
    add("display step", 0.5 * (high - low) / 2.0, infinity, false, true,
        (found.gaussian ? "what two counts of " + number_text(step) + " W leave open, to 95 %"
                        : "behind a step of " + number_text(step) + " W, by noise that is not Gaussian"));
  }

  [[nodiscard]] double statistics_w() const {
    return scatter_.standard_deviation_w * std::sqrt(scatter_.inflation / scatter_.readings);
  }

  /// A level that creeps across counts without noise: each count is left once, and over a whole count the errors of
  /// rounding cancel. What is left is the broken count at either end.
  bool still_drift() {
    const double step = budget_.step_w;
    std::int64_t low = std::numeric_limits<std::int64_t>::max(), high = std::numeric_limits<std::int64_t>::min();
    double off = 0.0;
    std::size_t mixed = 0;
    const double reach = still_reach + 0.5 * std::abs(scatter_.slope_w_per_s) * regime_.sketch.width_s() / step;
    for (std::size_t i = 0; i < counts_.size(); ++i) {
      if (counts_[i].size() > 1) ++mixed;
      const double line = (scatter_.mean_w + scatter_.slope_w_per_s * (views_[i].at_s - scatter_.centre_s)) / step;
      for (const auto& [count, n] : counts_[i]) {
        low = std::min(low, count);
        high = std::max(high, count);
        if (std::abs(static_cast<double>(count) - line) > reach) off += n;
      }
    }
    // One step may be slow noise; a staircase along a line is a drift, however few steps leave its slope unsure.
    if (high <= low || (high == low + 1 && !scatter_.drifts)) return false;
    if (2 * mixed > counts_.size() || mixed > 2 * static_cast<std::size_t>(high - low)) return false;
    if (off > still_share * scatter_.readings) return false;
    scatter_.drifts = true;
    budget_.level_w = scatter_.time_mean_w + cut_off();
    by_time_ = true;
    budget_.bounded_by_display = display_hides_ = true;
    add("statistics", 0.0, infinity, false, false, "in the display step: the level creeps from count to count");
    add_shared("display step", 0.5 * step / static_cast<double>(high - low),
               "the broken counts at both ends of a drift over " + std::to_string(high - low + 1) + " counts");
    return true;
  }

  void hysteresis(const std::vector<CountGroup>& all);

  [[nodiscard]] std::string scatter_words() const {
    return std::to_string(budget_.readings) + " readings, worth " + number_text(budget_.effective_readings, 4) +
           " independent ones";
  }

  /// Sums over pairs of ticks that follow each other within the quoted part.
  struct Ticks {
    double energy_uwh = 0.0;
    double time_s = 0.0;
    int chains = 0;  ///< unbroken rows of ticks
  };
  [[nodiscard]] Ticks ticks() const {
    Ticks sums;
    const CounterTick* last = nullptr;
    bool chained = false;
    for (const View& view : views_) {
      if (view.broken_before) last = nullptr;
      if (!view.bin->tick) continue;
      const CounterTick& tick = *view.bin->tick;
      const bool follows = last != nullptr && !tick.broken && tick.at_us > last->at_us;
      if (follows) {
        sums.energy_uwh += static_cast<double>(tick.energy_uwh - last->energy_uwh);
        sums.time_s += static_cast<double>(tick.at_us - last->at_us) * 1e-6;
        if (!chained) ++sums.chains;
      }
      chained = follows;
      last = &tick;
    }
    return sums;
  }

  void join_counter() {
    const LevelSketch& sketch = regime_.sketch;
    if (!(sketch.tick_width_s() > 0.0)) return;
    const Ticks sums = ticks();
    if (sums.chains == 0 || !(sums.energy_uwh > 0.0)) {
      budget_.warnings.push_back("the energy counter moved too little to help with this level");
      return;
    }
    CounterLevel counter;
    counter.covered_s = sums.time_s;
    counter.level_w = sums.energy_uwh * 3600e-6 / sums.time_s;
    if (sketch.tick_step_uwh() > 0)
      counter.ticks = std::llround(sums.energy_uwh / static_cast<double>(sketch.tick_step_uwh())) + sums.chains;
    // Two instants for each row of ticks, each somewhere between two readings.
    const double instants = sketch.tick_width_s() * std::sqrt(2.0 * sums.chains / 12.0);
    const double by_instants = counter.level_w * instants / counter.covered_s;
    counter.uncertainty_w = std::hypot(by_instants, beyond_the_ticks(counter.covered_s));
    budget_.counter = counter;
    join(counter);
  }

  /// What the counter does not cover of the time may have had another mean.
  [[nodiscard]] double beyond_the_ticks(double covered_s) const {
    const double whole_s = quoted_s();
    const double uncovered = whole_s > 0.0 ? std::clamp(1.0 - covered_s / whole_s, 0.0, 1.0) : 1.0;
    const double drifted = scatter_.drifts ? std::abs(scatter_.slope_w_per_s) * whole_s * uncovered / 2.0 : 0.0;
    return std::hypot(statistics_w() * std::sqrt(uncovered / std::max(1e-9, 1.0 - uncovered)), drifted);
  }
  [[nodiscard]] double quoted_s() const {
    double covered = 0.0;
    for (const View& view : views_) covered += view.bin->covered_s;
    return covered;
  }

  /// What the display adds to the level: where nobody told whether it cuts off, what the counter beside it leaves.
  [[nodiscard]] std::vector<RoundingAnswer> rounding_beside(const CounterLevel& counter) const {
    if (rounding_ != Rounding::not_told || !(budget_.step_w > 0.0)) return {{1.0, 0.0}};
    return rounding_posterior(budget_, counter);
  }

  void join(const CounterLevel& counter) {
    const std::vector<RoundingAnswer> answers = rounding_beside(counter);
    budget_.level_w += answers.front().offset_w;
    if (answers.front().offset_w > 0.0)
      budget_.warnings.push_back(
          "the energy counter says that the display cuts digits off: levels without a counter's help are half a step "
          "low (to do: say display = \"truncates\" in the meter's profile, or import with --truncates)");
    const double share = join_most_likely(counter);
    if (answers.size() > 1) reach_both(answers, share);
  }

  /// The most likely answer is in the budget already, and the counter with this share.
  void reach_both(std::span<const RoundingAnswer> answers, double counter_share) {
    const double half_w = coverage_factor(scatter_.degrees_of_freedom) * combined(budget_.parts);
    std::vector<Answer> levels;
    for (const RoundingAnswer& answer : answers)
      levels.push_back({answer.posterior,
                        budget_.level_w + (1.0 - counter_share) * (answer.offset_w - answers.front().offset_w),
                        0.5 * half_w});
    const MixtureInterval both = mixture_interval(levels);
    budget_.level_w = both.middle;
    add("display rounds or cuts off",
        0.5 * std::sqrt(std::max(0.0, both.half_width * both.half_width - half_w * half_w)), infinity, false, true,
        "the energy counter leaves both open");
  }

  /// The counter's share of the level.
  double join_most_likely(const CounterLevel& counter) {
    const double power_u = combined(budget_.parts);
    const double apart = counter.level_w - budget_.level_w;
    const bool disagree = std::abs(apart) > 2.0 * std::hypot(power_u, counter.uncertainty_w);
    if (disagree)
      budget_.warnings.push_back(
          "the energy counter says " + number_text(counter.level_w, 5) + " W, the power readings " +
          number_text(budget_.level_w, 5) +
          " W: more apart than their uncertainties, so one of them is wrong (to do: compare both with the "
          "meter's display; correct unit or scale in its profile, or the clock)");
    const double power_weight = 1.0 / (power_u * power_u);
    const double counter_weight = 1.0 / (counter.uncertainty_w * counter.uncertainty_w);
    const double share = counter.uncertainty_w > 0.0 && power_u > 0.0 ? counter_weight / (power_weight + counter_weight)
                                                                      : (power_u > 0.0 ? 1.0 : 0.0);
    budget_.level_w += share * apart;
    for (BudgetPart& part : budget_.parts) part.uncertainty_w *= 1.0 - share;
    if (share > 0.5) budget_.bounded_by_display = false;
    add("energy counter", share * counter.uncertainty_w, infinity, false, false,
        std::to_string(counter.ticks) + " ticks, weight " + number_text(100.0 * share, 3) + " %");
    // One of the two is wrong and nobody knows which: the interval reaches both.
    if (disagree)
      add_shared("disagreement", std::max(share, 1.0 - share) * std::abs(apart) * std::sqrt(3.0) / 2.0,
                 "the counter and the power readings contradict each other");
    return share;
  }

  static double combined(const std::vector<BudgetPart>& parts) {
    double squares = 0.0;
    for (const BudgetPart& part : parts) squares += part.uncertainty_w * part.uncertainty_w;
    return std::sqrt(squares);
  }

  void slope() {
    budget_.slope_w_per_h = scatter_.slope_w_per_s * 3600.0;
    budget_.slope_uncertainty_w_per_h =
        3600.0 * scatter_.slope_uncertainty * nightwatt::coverage_factor(0.95, scatter_.slope_degrees_of_freedom);
    // Rounding may hide as much slope as makes one more count over the time, unless noise averages it out.
    if (display_hides_)
      budget_.slope_uncertainty_w_per_h =
          std::hypot(budget_.slope_uncertainty_w_per_h, 3600.0 * budget_.step_w / (2.0 / 3.0 * length_s()));
  }

  /// A drifting level is quoted for the middle of the last two thirds; bins that begin late or readings that crowd have
  /// another middle.
  void drift() {
    if (!scatter_.drifts) return;
    const double late_s = 2.0 / 3.0 * length_s() - (by_time_ ? scatter_.time_centre_s : scatter_.centre_s);
    budget_.level_w += scatter_.slope_w_per_s * late_s;
    // Where in a bin its first reading lies is not kept: an interval either way for all.
    const double covered = quoted_s();
    const double interval = covered > 0.0 ? covered / scatter_.readings : 0.0;
    const double unplaced = scatter_.slope_w_per_s * interval / std::sqrt(12.0);
    add("drift", std::hypot(scatter_.slope_uncertainty * late_s, unplaced), scatter_.slope_degrees_of_freedom, false,
        false, number_text(budget_.slope_w_per_h) + " W/h; the level is that of the middle of the time");
  }
  [[nodiscard]] double length_s() const { return std::max(1e-6, to_seconds(regime_.end - regime_.begin).value); }

  /// Equal readings of an unknown display: what their digits leave open, but not nothing.
  void unknown_display() {
    if (combined(budget_.parts) > 0.0) return;
    const double step = budget_.step_w > 0.0 ? budget_.step_w : learnt_step(std::span(&budget_.level_w, 1));
    add_shared("display step", 0.5 * step, "half a step of " + number_text(step) + " W");
  }

  const Regime& regime_;
  const Rounding rounding_;
  std::vector<View> views_;
  Scatter scatter_;
  std::vector<std::map<std::int64_t, double>> counts_;  ///< of each view, in steps
  LevelBudget budget_;
  bool display_hides_ = false;  ///< rounding is not averaged out by noise
  bool by_time_ = false;        ///< the level is the mean of the time, not of the readings
};

/// Half-width about the middle of two answers, each `apart` from it, that holds whichever is right 95.45 times in 100,
/// known to `standard_deviation`.
double reach_of_either(double apart, double standard_deviation) {
  constexpr int halvings = 40;
  double low = apart, high = apart + 3.0 * standard_deviation;
  for (int i = 0; i < halvings && standard_deviation > 0.0; ++i) {
    const double middle = 0.5 * (low + high);
    const double held =
        normal_cdf((middle - apart) / standard_deviation) - normal_cdf((-middle - apart) / standard_deviation);
    (held < coverage_of_two ? low : high) = middle;
  }
  return high;
}

/// A display that moves only when the power is past a count's edge by part of a count repeats itself more than chance
/// does. Slow noise does so too, but crosses an edge back and forth: more single readings than such a display shows.
/// One that holds shows none at all; that is in the inflation already. What is left may be either, so that the interval
/// reaches both levels.
void Maker::hysteresis(const std::vector<CountGroup>& all) {
  constexpr std::int64_t fewest_pairs = 200;
  constexpr double least_sigmas = 3.0, fewest_singles = 0.02, sure_singles = 8.0, most_singles = 1.2,
                   single_sigmas = 3.0;
  const TieStatistics& repeats = regime_.sketch.repeats();
  if (all.size() != 1 || repeats.pairs < fewest_pairs || repeats.equal >= repeats.pairs) return;
  std::vector<double> shares = all[0].counts;
  double n = 0.0, chance = 0.0;
  for (const double count : shares) n += count;
  for (double& share : shares) chance += (share / n) * (share / n), share /= n;
  const auto pairs = static_cast<double>(repeats.pairs);
  const double equal = static_cast<double>(repeats.equal) / pairs;
  // Of changes by chance: as of the runs in a row of throws (Wald & Wolfowitz 1940, from memory).
  const double by_chance = (1.0 - chance) / std::sqrt(pairs) + 1.0 / pairs;
  if (equal - chance < least_sigmas * by_chance) return;
  const double singles = static_cast<double>(repeats.singles) / pairs;
  const auto found = display_hysteresis({shares, equal, singles});
  if (!found) return;
  const double spread = std::sqrt(found->singles / pairs);
  if (singles > found->singles * most_singles + single_sigmas * spread) return;
  if (found->singles * pairs > sure_singles && singles < found->singles * fewest_singles) return;
  // Few stays tell its hysteresis badly: as much more of it as is two deviations of their length.
  const double stays = 0.5 * (1.0 - equal) * pairs;
  const auto most = display_hysteresis({shares, 1.0 - (1.0 - equal) * (1.0 - 2.0 / std::sqrt(stays + 4.0)), singles});
  const double off = found->off, far = most && std::abs(most->off) > std::abs(off) ? most->off : off;
  budget_.level_w += 0.5 * off * budget_.step_w;
  const double sure_w = coverage_factor(scatter_.degrees_of_freedom) * combined(budget_.parts);
  const double unsure_w = std::hypot(sure_w, std::abs(far - off) * budget_.step_w);
  const double whole_w = reach_of_either(0.5 * std::abs(off) * budget_.step_w, 0.5 * unsure_w);
  add("sticking display", 0.5 * std::sqrt(std::max(0.0, whole_w * whole_w - sure_w * sure_w)), infinity, false, true,
      "repeats as of a display that moves " + number_text(found->past_edge, 2) + " of a step past a count's edge");
}

/// The correction takes the promise's place.
void correct(LevelBudget& budget, const Correction& correction) {
  const double shown_w = budget.level_w, slope = correction.slope_at(shown_w);
  for (BudgetPart& part : budget.parts) part.uncertainty_w *= slope;
  budget.level_w = correction.at(shown_w);
  budget.parts.push_back({accuracy_name, correction.standard_deviation_at(shown_w), infinity, false, true, 0.0,
                          correction.words() + ", in place of the promise"});
  budget.slope_w_per_h *= slope;
  budget.slope_uncertainty_w_per_h *= slope;
}

void add_accuracy(LevelBudget& budget, const MeterTraits& traits) {
  if (traits.correction) {
    correct(budget, *traits.correction);
    return;
  }
  const std::optional<Accuracy>& accuracy = traits.accuracy;
  if (!accuracy) {
    budget.warnings.push_back(with_advice("the meter's accuracy is not known: the meter's own error is not in the ±",
                                          "give it as accuracy in the meter's profile, or with import --accuracy"));
    return;
  }
  budget.parts.push_back({accuracy_name, accuracy->half_width(budget.level_w) / std::sqrt(3.0), infinity, true, true,
                          0.0, accuracy->text()});
  if (!accuracy->meter_class.empty())
    budget.warnings.push_back(
        with_advice("the meter's accuracy class holds only above its minimum current; below that the true error may "
                    "exceed the ±",
                    "find the minimum current in its data sheet, or check it with nightwatt calibrate"));
}

/// The readings as the segmenter would keep them, one stretch of the whole record.
Regime regime_of(const BudgetInput& input) {
  Regime regime;
  regime.shape = RegimeShape::steady;
  const std::size_t size = std::min(input.power.times_s.size(), input.power.power_w.size());
  const std::size_t counters = std::min(input.counter.times_s.size(), input.counter.counter_wh.size());
  ReadingTrail trail;
  std::size_t counter = 0;
  UtcTime before;
  for (std::size_t i = 0; i < size; ++i) {
    const UtcTime time{std::llround(input.power.times_s[i] * 1e6)};
    for (; counter < counters && input.counter.times_s[counter] <= input.power.times_s[i]; ++counter)
      trail.counter(UtcTime{std::llround(input.counter.times_s[counter] * 1e6)}, input.counter.counter_wh[counter]);
    SketchEntry entry;
    entry.time = time;
    entry.mean = input.power.power_w[i];
    if (i > 0) {
      entry.covered_s = to_seconds(time - before).value;
      entry.integral_ws = 0.5 * entry.covered_s * (input.power.power_w[i - 1] + input.power.power_w[i]);
    }
    entry.repeats = trail.power(entry.mean);
    if (const auto moved = trail.take_moved()) {
      entry.tick = moved->tick;
      entry.tick_width_s = moved->width_s;
      entry.tick_step_uwh = moved->step_uwh;
    }
    regime.sketch.add(entry);
    if (i == 0) regime.begin = time;
    regime.end = before = time;
  }
  regime.samples = static_cast<std::int64_t>(size);
  return regime;
}

}  // namespace

double coverage_factor(double degrees_of_freedom) {
  if (!(degrees_of_freedom < 1e6)) return 2.0;
  // GUM G.4.1: cut to a whole number. Budgets ask for the same few again and again.
  static const auto first = [] {
    std::array<double, 64> factors{};
    for (std::size_t i = 0; i < factors.size(); ++i)
      factors[i] = coverage_factor(coverage_of_two, static_cast<double>(i + 1));
    return factors;
  }();
  const double whole = std::max(1.0, std::floor(degrees_of_freedom));
  if (whole <= static_cast<double>(first.size())) return first[static_cast<std::size_t>(whole) - 1];
  return coverage_factor(coverage_of_two, whole);
}

double degrees_of_freedom_for(double k) {
  constexpr double most = 1e6;
  if (k <= coverage_factor(most - 1.0)) return infinity;
  const double least = k * (1.0 - 1e-9);  // a factor that was reckoned, to its last digits
  double low = 1.0, high = most;          // its factor is no smaller; it is
  while (high - low > 1.0) {
    const double middle = std::floor(0.5 * (low + high));
    (coverage_factor(middle) >= least ? low : high) = middle;
  }
  return low;
}

std::optional<LevelFigure> level_figure(const Regime& regime, double step_w, Rounding rounding) {
  if (regime.shape != RegimeShape::steady && regime.shape != RegimeShape::decay) return std::nullopt;
  Maker maker(regime, step_w, rounding);
  const std::optional<LevelBudget> budget = maker.make();
  if (!budget) return std::nullopt;
  LevelFigure figure;
  figure.algorithm_version = figure_algorithm_version;
  figure.step_w = step_w;
  figure.level_w = budget->level_w;
  figure.shown_w = regime.cycles ? regime.cycles->mean_w : maker.shown_w();
  figure.drift_w_per_h = budget->slope_w_per_h;
  const LevelParts parts = level_parts(*budget);
  figure.random_w = parts.random_w;
  figure.random_degrees_of_freedom = parts.random_degrees_of_freedom;
  figure.systematic_w = parts.systematic_w;
  figure.settling = settling_of(regime, step_w);
  return figure;
}

std::optional<LevelBudget> level_budget(const Regime& regime, const MeterTraits& traits, double step_w) {
  std::optional<LevelBudget> budget = Maker(regime, step_w, traits.rounding).make();
  if (!budget) return std::nullopt;
  add_accuracy(*budget, traits);
  complete(*budget);
  if (!traits.resolution_w && budget->bounded_by_display)
    budget->warnings.push_back(
        with_advice("the display's step is not known: " + number_text(step_w) + " W is taken from the digits shown",
                    "give it as resolution in the meter's profile, or with import --resolution"));
  return budget;
}

std::optional<LevelBudget> level_budget(const BudgetInput& input) {
  double step_w = input.step_w > 0.0 ? input.step_w : input.traits.resolution_w.value_or(0.0);
  const std::size_t size = std::min(input.power.times_s.size(), input.power.power_w.size());
  if (!(step_w > 0.0)) step_w = learnt_step(input.power.power_w.first(size));
  return level_budget(regime_of(input), input.traits, step_w);
}

LevelParts level_parts(const LevelBudget& budget) {
  std::vector<UncertaintyPart> by_chance, shared, permissible_error;
  for (const BudgetPart& part : budget.parts)
    (part.name == accuracy_name ? permissible_error
     : part.shared              ? shared
                                : by_chance)
        .push_back({part.uncertainty_w, part.degrees_of_freedom});
  return {combined_uncertainty(by_chance), effective_degrees_of_freedom(by_chance), combined_uncertainty(shared),
          combined_uncertainty(permissible_error)};
}

void complete(LevelBudget& budget) {
  std::vector<UncertaintyPart> parts;
  for (const BudgetPart& part : budget.parts) parts.push_back({part.uncertainty_w, part.degrees_of_freedom});
  budget.standard_w = combined_uncertainty(parts);
  budget.degrees_of_freedom = effective_degrees_of_freedom(parts);
  budget.coverage_factor = coverage_factor(budget.degrees_of_freedom);
  budget.uncertainty_w = budget.coverage_factor * budget.standard_w;
  const double variance = budget.standard_w * budget.standard_w;
  for (BudgetPart& part : budget.parts) part.share = part.uncertainty_w * part.uncertainty_w / variance;
  if (budget.readings < 3) budget.warnings.push_back("fewer than three readings");
}

double learnt_step(std::span<const double> power_w) {
  DisplayResolution step;
  for (const double reading : power_w) step.push(reading);
  return power_w.empty() ? 0.0 : step.step_w();
}

}  // namespace nightwatt
