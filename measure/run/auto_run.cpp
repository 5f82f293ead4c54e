#include "measure/run/auto_run.hpp"

#include <algorithm>
#include <cmath>

#include "measure/signal/held_power.hpp"
#include "signal/archive.hpp"

namespace nightwatt {

namespace {

constexpr std::uint64_t state_version = 1;
constexpr std::int64_t bins_per_window = 40;
/// A level near the threshold is judged over this many windows.
constexpr std::int64_t windows_kept = 6;
/// ... and by no fewer than this many before it opens a run.
constexpr std::int64_t windows_to_open = 3;
/// A meter slower than the window is judged by this many readings.
constexpr std::size_t fewest_bins = 3;
/// Two readings further apart than this relative difference are different counts, not one count and a rounding of
/// double.
constexpr double rounding = 1e-9;

/// Mean of bins, which weigh alike: they stand for equal times.
struct Level {
  double sum_w = 0.0;
  double highest_w = 0.0;  ///< by magnitude
  std::int64_t bins = 0;
  std::int64_t above = 0;
  UtcTime first_above;

  void add(double mean_w, std::int64_t bin_above, UtcTime bin_first_above) {
    sum_w += mean_w;
    if (std::abs(mean_w) > std::abs(highest_w)) highest_w = mean_w;
    ++bins;
    above += bin_above;
    if (bin_above > 0) first_above = bin_first_above;  // newest first: the last one set is the earliest
  }
  [[nodiscard]] double without_highest_w() const {
    return bins < 2 ? 0.0 : std::abs(sum_w - highest_w) / static_cast<double>(bins - 1);
  }
};

}  // namespace

AutoRun::AutoRun(Settings settings) : settings_(std::move(settings)), gap_rule_(settings_.traits.gap_s) {}

bool AutoRun::on() const {
  return on_;
}

double AutoRun::step_w() const {
  return settings_.traits.resolution_w.value_or(learnt_step_w_);
}

double AutoRun::threshold_w() const {
  return settings_.traits.starting_w.value_or(step_w() / 4.0);
}

void AutoRun::learn_step(double power_w) {
  const auto consider = [&](double candidate, double scale) {
    if (candidate > rounding * std::max(1.0, scale) && (learnt_step_w_ == 0.0 || candidate < learnt_step_w_))
      learnt_step_w_ = candidate;
  };
  consider(std::abs(power_w), 0.0);
  if (last_time_) consider(std::abs(power_w - last_power_w_), std::abs(power_w));
}

void AutoRun::add_to_window(UtcTime time, double power_w) {
  const Duration window = to_duration({settings_.window_s});
  const Duration bin_width = window / bins_per_window;
  if (window_.empty() || time - window_.back().begin >= bin_width) window_.push_back(Bin{time, 0.0, 0, 0, {}});
  Bin& bin = window_.back();
  bin.sum_w += power_w;
  ++bin.readings;
  if (std::abs(power_w) > threshold_w() && bin.above++ == 0) bin.first_above = time;
  while (window_.size() > fewest_bins && time - window_.front().begin > windows_kept * window) window_.pop_front();
}

std::optional<UtcTime> AutoRun::present() {
  const UtcTime now = window_.back().begin;
  const Duration window = to_duration({settings_.window_s});
  Level brief, lasting;
  std::size_t taken = 0;
  bool long_enough = false;
  for (auto bin = window_.rbegin(); bin != window_.rend(); ++bin, ++taken) {
    const double mean_w = bin->sum_w / static_cast<double>(bin->readings);
    const bool is_brief = taken < fewest_bins || now - bin->begin <= window;
    const bool is_lasting = !last_sure_ || bin->begin > *last_sure_;
    if (!is_brief && !is_lasting) break;
    if (is_brief) brief.add(mean_w, bin->above, bin->first_above);
    if (is_lasting) lasting.add(mean_w, bin->above, bin->first_above);
    long_enough = long_enough || (is_lasting && !is_brief && now - bin->begin > (on_ ? 1 : windows_to_open) * window);
  }
  if (brief.above >= 2 && brief.without_highest_w() > threshold_w() + step_w() / 2.0) {
    last_sure_ = now;
    return brief.first_above;
  }
  // Too little to tell a marginal level from noise opens no run, but does not end one either.
  if (!long_enough && !on_) return std::nullopt;
  const Level& level = long_enough ? lasting : brief;
  if (level.above >= 2 && level.without_highest_w() > threshold_w()) return level.first_above;
  return std::nullopt;
}

AutoRun::Event AutoRun::push(UtcTime time, double power_w) {
  if ((last_time_ && time <= *last_time_) || !std::isfinite(power_w)) return {};
  learn_step(power_w);
  Event held;
  if (gap_rule_.push(time)) {
    window_.clear();
    last_sure_.reset();
    const bool seen_off = off_since_ && *last_time_ - *off_since_ >= to_duration({settings_.window_s});
    if (!seen_off) off_since_.reset();
  } else if (settings_.traits.on_change && last_time_) {
    held = judge_held(time - Duration{1});
  }
  last_time_ = time;
  last_power_w_ = power_w;
  const Event now = judge(time, power_w);
  return held.change != Change::none ? held : now;
}

AutoRun::Event AutoRun::hold_until(UtcTime now) {
  if (!settings_.traits.on_change || !last_time_ || gap_rule_.is_gap(now)) return {};
  return judge_held(now);
}

/// From the last reading, or the last look of hold_until(), on. What is held has one value, so it changes once at most.
AutoRun::Event AutoRun::judge_held(UtcTime until) {
  Event held;
  const UtcTime from = window_.empty() ? *last_time_ : std::max(*last_time_, window_.back().begin);
  for (UtcTime at = from + HeldPower::beat; at <= until; at = at + HeldPower::beat)
    if (const Event event = judge(at, last_power_w_); event.change != Change::none) held = event;
  return held;
}

AutoRun::Event AutoRun::judge(UtcTime time, double power_w) {
  add_to_window(time, power_w);

  if (std::abs(power_w) > threshold_w())
    below_since_.reset();
  else if (!below_since_)
    below_since_ = time;

  if (const std::optional<UtcTime> since = present()) {
    off_since_ = below_since_;
    if (on_) return {};
    on_ = true;
    return {Change::came_on, *since};
  }
  if (!on_) return {};
  if (!off_since_) off_since_ = below_since_;
  if (off_since_ && time - *off_since_ >= to_duration({settings_.auto_end_s})) {
    on_ = false;
    const UtcTime at = *off_since_;
    off_since_.reset();
    return {Change::went_off, at};
  }
  return {};
}

template <class Archive, class Self>
void AutoRun::archive(Archive& ar, Self& self) {
  ar.version(state_version, state_version);
  ar(self.gap_rule_, self.window_, self.learnt_step_w_, self.last_time_, self.last_power_w_, self.last_sure_,
     self.below_since_, self.off_since_, self.on_);
}

std::string AutoRun::save() const {
  return saved(*this);
}

Result<AutoRun> AutoRun::restore(Settings settings, std::string_view state) {
  AutoRun run(std::move(settings));
  if (restored(state, run)) return run;
  return fail(ErrorKind::unusable, "the saved state of automatic runs is damaged");
}

}  // namespace nightwatt
