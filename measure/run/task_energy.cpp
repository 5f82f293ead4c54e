#include "measure/run/task_energy.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <span>
#include <utility>

#include "measure/signal/gap_rule.hpp"
#include "measure/uncertainty/comparison.hpp"
#include "measure/uncertainty/pooled_level.hpp"
#include "measure/uncertainty/statistics.hpp"

namespace nightwatt {

namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();
/// Fewer readings of quiet than this are no idle.
constexpr std::size_t fewest_quiet = 5;
/// A process's time is known to this; common practice, no source.
constexpr double clock_s = 0.002;

std::size_t first_from(std::span<const double> times_s, double from_s) {
  return static_cast<std::size_t>(std::lower_bound(times_s.begin(), times_s.end(), from_s) - times_s.begin());
}

double median_interval(std::span<const double> times_s) {
  std::vector<double> intervals;
  for (std::size_t i = 1; i < times_s.size(); ++i) intervals.push_back(times_s[i] - times_s[i - 1]);
  return median_of(std::move(intervals));
}

std::string which(std::size_t repeat, std::size_t repeats) {
  return repeats == 1 ? std::string() : " (time " + std::to_string(repeat + 1) + ")";
}

class Maker {
 public:
  explicit Maker(const TaskInput& input) : input_(input), times_(input.power.times_s), power_(input.power.power_w) {
    step_w_ = input.step_w > 0.0 ? input.step_w : input.traits.resolution_w.value_or(0.0);
    if (!(step_w_ > 0.0)) step_w_ = learnt_step(power_);
  }

  Result<TaskEnergy> make() {
    std::vector<Measured> energies, powers, seconds;
    std::vector<PooledLevel> idles;
    for (std::size_t i = 0; i < input_.repeats.size(); ++i) {
      const auto quiet = idle_of(i);
      if (!quiet) return tl::unexpected(quiet.error());
      if (auto one = repeat(i, *quiet); !one) return tl::unexpected(one.error());
      const TaskRepeat& made = result_.repeats.back();
      idles.push_back({quiet->level_w, 1.0, quiet->parts});
      energies.push_back({made.above_idle_wh, random_wh_, quiet->parts.random_degrees_of_freedom, systematic_wh_});
      powers.push_back({made.mean_above_idle_w, random_wh_ * 3600.0 / made.seconds,
                        quiet->parts.random_degrees_of_freedom, systematic_wh_ * 3600.0 / made.seconds});
      seconds.push_back({made.seconds, clock_s, infinity, 0.0});
    }
    if (energies.empty()) return fail(ErrorKind::negative, "the task did not run once");
    result_.above_idle_wh = figure(*pool(energies, Repeated::tasks));
    result_.mean_above_idle_w = figure(*pool(powers, Repeated::tasks));
    result_.seconds = figure(*pool(seconds, Repeated::tasks));
    const Pooled idle = pool_levels(idles);
    result_.idle_w = {idle.level_w, idle.parts.expanded_w(), idle.parts};
    warn();
    return std::move(result_);
  }

 private:
  static Figure figure(const Compared& pooled) { return {pooled.value, pooled.uncertainty}; }

  Result<LevelBudget> level(double from_s, double to_s, std::size_t repeat, const char* where) {
    const std::size_t a = first_from(times_, from_s), b = first_from(times_, to_s);
    const std::size_t size = b > a ? b - a : 0;
    if (size < fewest_quiet)
      return fail(ErrorKind::negative, "only " + std::to_string(size) + " readings of the quiet " + where +
                                           " the command" + which(repeat, input_.repeats.size()) +
                                           "; give it longer with --settle");
    BudgetInput part;
    part.power = {times_.subspan(a, size), power_.subspan(a, size)};
    part.traits = input_.traits;
    part.traits.accuracy.reset();  // counted once, of the difference
    part.step_w = step_w_;
    return *level_budget(part);
  }

  static PooledLevel pooled(const LevelBudget& budget) {
    const Measured parts = measured(budget);
    return {budget.level_w, 1.0, {parts.standard, parts.degrees_of_freedom, parts.shared, 0.0}};
  }

  Result<Pooled> idle_of(std::size_t i) {
    const TaskSpan& span = input_.repeats[i];
    const auto before = level(span.quiet_from_s, span.begin_s, i, "before");
    if (!before) return tl::unexpected(before.error());
    const auto after = level(span.end_s + (span.quiet_to_s - span.end_s) / 3.0, span.quiet_to_s, i, "after");
    if (!after) return tl::unexpected(after.error());
    const std::vector<PooledLevel> both = {pooled(*before), pooled(*after)};
    return pool_levels(both);
  }

  Result<void> repeat(std::size_t i, const Pooled& idle) {
    const TaskSpan& span = input_.repeats[i];
    const std::size_t first = first_from(times_, span.begin_s), after = first_from(times_, span.end_s);
    if (first == 0 || after >= times_.size())
      return fail(ErrorKind::negative, "no reading on both sides of the command" + which(i, input_.repeats.size()));
    // A reading is of an instant or the mean since the one before, and some meters lag: from the last reading before
    // the command to the second one after it, all that is above idle belongs to the command, with no bias either way.
    const std::size_t last = std::min(after + 1, times_.size() - 1);
    const double usual_s = median_interval(times_.subspan(first - 1, last - first + 2));
    double joules = 0.0, squares = 0.0;
    for (std::size_t k = first; k <= last; ++k) {
      const double interval_s = times_[k] - times_[k - 1];
      const double usual_gap_s = std::max(GapRule::shortest_gap_s, GapRule::median_factor * usual_s);
      if (interval_s > input_.traits.gap_s.value_or(usual_gap_s))
        return fail(ErrorKind::negative, "readings are missing while the command ran" +
                                             which(i, input_.repeats.size()) + ": its energy is not known");
      joules += interval_s * (0.5 * (power_[k] + power_[k - 1]) - idle.level_w);
      // The step at either edge is counted as that of an unsure instant.
      if (k > first && k < after) squares += (power_[k] - power_[k - 1]) * (power_[k] - power_[k - 1]);
    }
    TaskRepeat made;
    made.seconds = span.end_s - span.begin_s;
    made.idle_w = idle.level_w;
    made.above_idle_wh = joules / 3600.0;
    made.energy_wh = made.above_idle_wh + idle.level_w * made.seconds / 3600.0;
    made.mean_above_idle_w = made.above_idle_wh * 3600.0 / made.seconds;
    if (after - first < 3) short_ = true;
    const auto n = static_cast<double>(after - first);
    uncertainties(made, idle, usual_s * steps_at_the_edges(first, after, idle.level_w),
                  n > 1.0 ? std::sqrt(squares / (2.0 * (n - 1.0))) : 0.0, n);
    result_.repeats.push_back(made);
    return {};
  }

  /// Root of the sum of squares of how far above idle the command began and ended.
  [[nodiscard]] double steps_at_the_edges(std::size_t first, std::size_t after, double idle_w) const {
    const auto above = [&](std::size_t a, std::size_t b) {
      return std::max(std::abs(power_[a] - idle_w), std::abs(power_[b] - idle_w));
    };
    return std::hypot(above(first, std::min(first + 1, after)),
                      above(after - 1, after > first + 1 ? after - 2 : first));
  }

  void uncertainties(const TaskRepeat& made, const Pooled& idle, double steps_ws, double noise_w, double n) {
    // Each edge lies anywhere between two readings.
    const double edges = steps_ws / std::sqrt(12.0);
    const double readings = noise_w * made.seconds / std::sqrt(std::max(1.0, n));
    // Two repeats share the quiet between them: their idles are worth half as many.
    const double quiet = idle.parts.random_w * made.seconds * (input_.repeats.size() > 1 ? std::sqrt(2.0) : 1.0);
    random_wh_ = std::hypot(quiet, std::hypot(edges, readings)) / 3600.0;
    // Rounding that no noise averages out may be off the same way all the time.
    const double display = noise_w < 0.5 * step_w_ ? step_w_ / std::sqrt(12.0) : 0.0;
    const double shared = std::hypot(idle.parts.systematic_w, display) * made.seconds;
    // A scale that is off is off for both; what the promise adds to it may differ.
    double permissible_error = 0.0;
    if (input_.traits.accuracy)
      permissible_error = (input_.traits.accuracy->percent / 100.0 * std::abs(made.above_idle_wh) * 3600.0 +
                           input_.traits.accuracy->floor * made.seconds) /
                          std::sqrt(3.0);
    systematic_wh_ = std::hypot(shared, permissible_error) / 3600.0;
  }

  void warn() {
    if (short_)
      result_.warnings.emplace_back(
          "the command ran for less than three readings: repeat it with -n, or make it do its work several times");
    if (!input_.traits.accuracy)
      result_.warnings.emplace_back("the meter's accuracy is not known: the meter's own error is not in the ±");
    if (result_.above_idle_wh.value < result_.above_idle_wh.uncertainty)
      result_.warnings.emplace_back("the energy above idle is no more than its uncertainty");
  }

  const TaskInput& input_;
  std::span<const double> times_, power_;
  double step_w_ = 0.0;
  double random_wh_ = 0.0, systematic_wh_ = 0.0;  ///< standard uncertainties of the last repeat
  bool short_ = false;
  TaskEnergy result_;
};

}  // namespace

Result<TaskEnergy> task_energy(const TaskInput& input) {
  return Maker(input).make();
}

}  // namespace nightwatt
