#include "live_picture.hpp"

#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <utility>

#include "figures/figures.hpp"
#include "figures/run_figures.hpp"
#include "figures/shown_power.hpp"
#include "measure/uncertainty/level_budget.hpp"
#include "measure/uncertainty/statistics.hpp"
#include "status_picture.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

/// More say nothing new of a level whose scatter they have averaged out; bounds the work of a look.
constexpr std::int64_t budget_readings = 100'000;
constexpr double grown_by = 0.01;  ///< of its length, before a level's budget is made anew
/// Bins hold a reading or two at least, or the curve would be full of holes.
constexpr double intervals_a_bin = 1.5;

/// Bins on a grid of the calendar, so that the curve moves on by whole columns.
class Binning {
 public:
  Binning(UtcTime end, double minutes, std::size_t columns, double interval_s) {
    const double wanted_s = std::max(minutes * 60.0 / static_cast<double>(columns), intervals_a_bin * interval_s);
    width_ = std::max<std::int64_t>(1000, to_duration({wanted_s}).count());
    const auto most = static_cast<std::int64_t>(columns);
    const auto count = std::clamp<std::int64_t>(to_duration({minutes * 60.0}).count() / width_, 1, most);
    first_ = end.us / width_ - count + 1;
    for (std::int64_t i = 0; i < count; ++i) bins_.push_back({UtcTime{(first_ + i) * width_}, 0, 0.0, 0.0, 0.0, {}});
  }
  void add(UtcTime time, double power_w) {
    const std::int64_t i = time.us / width_ - first_;
    if (i < 0 || i >= static_cast<std::int64_t>(bins_.size())) return;
    Bin& bin = bins_[static_cast<std::size_t>(i)];
    bin.lowest_w = bin.samples == 0 ? power_w : std::min(bin.lowest_w, power_w);
    bin.highest_w = bin.samples == 0 ? power_w : std::max(bin.highest_w, power_w);
    ++bin.samples;
    bin.mean_w += (power_w - bin.mean_w) / static_cast<double>(bin.samples);
  }
  [[nodiscard]] std::vector<Bin>& bins() { return bins_; }
  [[nodiscard]] std::int64_t width() const { return width_; }

 private:
  std::int64_t width_ = 1;
  std::int64_t first_ = 0;
  std::vector<Bin> bins_;
};

struct Point {
  UtcTime time;
  double power_w;
};

double median_interval_s(const std::vector<Point>& points) {
  std::vector<double> steps;
  for (std::size_t i = 1; i < points.size(); ++i)
    steps.push_back(to_seconds(points[i].time - points[i - 1].time).value);
  return median_of(std::move(steps));
}

}  // namespace

Result<LivePicture> LiveSource::look(const LiveChoice& choice) {
  LivePicture picture;
  picture.now = context_.now();
  auto status = look_at_status(context_);
  if (!status) {
    store_.reset();
    picture.trouble = text::printable(status.error().message);
    return picture;
  }
  picture.running = status->running;
  picture.meters = std::move(status->meters);
  if (!picture.running) picture.trouble = "the service is down: nothing is being recorded; waiting for it";
  if (!status->store) {
    picture.trouble = "there is no store yet at " + text::printable(status->store_path) + "; waiting for it";
    return picture;
  }
  const auto looked = look_at_store(choice, picture);
  if (looked) return picture;
  store_.reset();
  if (looked.error().kind != ErrorKind::unusable) return tl::unexpected(looked.error());
  picture.trouble = text::printable(looked.error().message);
  return picture;
}

Result<void> LiveSource::look_at_store(const LiveChoice& choice, LivePicture& picture) {
  if (!store_) {
    auto opened = context_.open_reader();
    if (!opened) return tl::unexpected(opened.error());
    store_.emplace(std::move(*opened));
  }
  const auto moment = store_->snapshot();
  if (!moment) return tl::unexpected(moment.error());
  const auto chosen = choose(choice, picture);
  if (!chosen) return tl::unexpected(chosen.error());
  if (!chosen->stream) return {};
  auto curve = curve_of(*chosen, choice, picture.now);
  if (!curve) return tl::unexpected(curve.error());
  picture.curve = std::move(*curve);
  return {};
}

Result<LiveSource::Chosen> LiveSource::choose(const LiveChoice& choice, LivePicture& picture) {
  Chosen chosen;
  if (choice.run) {
    auto run = find_run(*store_, *choice.run);
    if (!run && *choice.run == "last" && run.error().kind == ErrorKind::negative) return chosen;  // none yet
    if (!run) return tl::unexpected(run.error());
    if (!run->meter || run->origin == storage::RunOrigin::imported)
      return fail(ErrorKind::negative, run_text(*run) + " was not recorded by the service: there is nothing to follow");
    if (run->end && *choice.run != "last")
      return fail(ErrorKind::negative, run_text(*run) + " has ended; see nightwatt trace " + std::to_string(run->id));
    chosen.meter = *run->meter;
    chosen.stream = run->stream;
    if (!run->end) chosen.run = std::move(*run);
  } else {
    if (picture.meters.empty()) return chosen;
    picture.chosen = choice.turns % picture.meters.size();
    chosen.meter = picture.meters[picture.chosen].name;
    const auto stream = store_->stream_of_meter(chosen.meter);
    if (!stream) return tl::unexpected(stream.error());
    chosen.stream = *stream;
    const auto runs = store_->run_list();
    if (!runs) return tl::unexpected(runs.error());
    for (const storage::RunInfo& run : runs->sound)
      if (chosen.stream && run.stream == *chosen.stream && !run.end) chosen.run = run;
  }
  for (std::size_t i = 0; i < picture.meters.size(); ++i)
    if (picture.meters[i].name == chosen.meter) picture.chosen = i;
  return chosen;
}

Result<LiveCurve> LiveSource::curve_of(const Chosen& chosen, const LiveChoice& choice, UtcTime now) {
  LiveCurve curve;
  curve.meter = chosen.meter;
  const auto last = store_->last_reading(*chosen.stream);
  if (!last) return tl::unexpected(last.error());
  const auto utc_offset = store_->utc_offset_at(*chosen.stream, *last ? (*last)->time : now);
  if (!utc_offset) return tl::unexpected(utc_offset.error());
  // Readings that come together are stamped a little ahead.
  UtcTime end = now - *utc_offset;
  if (*last) {
    end = std::max(end, (*last)->time);
    curve.last = (*last)->time + *utc_offset;
    if (const auto power = (*last)->values.get(Quantity::power)) curve.power = power->text() + " W";
  }
  std::vector<Point> points;
  const auto read =
      store_->readings(*chosen.stream, end - to_duration({choice.minutes * 60.0}), end, [&](const Reading& reading) {
        if (const auto power = reading.values.get(Quantity::power)) points.push_back({reading.time, power->value()});
        return true;
      });
  if (!read) return tl::unexpected(read.error());
  Binning binning(end, choice.minutes, choice.columns, median_interval_s(points));
  for (const Point& point : points) binning.add(point.time, point.power_w);
  curve.bins = std::move(binning.bins());
  curve.from = curve.bins.front().begin + *utc_offset;
  curve.to = end + *utc_offset;
  if (chosen.run)
    if (auto added = add_run(*chosen.run, curve, *utc_offset); !added) return tl::unexpected(added.error());
  for (Bin& bin : curve.bins) bin.begin = bin.begin + *utc_offset;
  return curve;
}

Result<void> LiveSource::add_run(const storage::RunInfo& run, LiveCurve& curve, Duration) {
  curve.run = run_text(run);
  curve.run_id = run.id;
  curve.device = run.device;
  const auto figures = figures::run_figures(*store_, run.id);
  if (!figures) return tl::unexpected(figures.error());
  const std::int64_t half = curve.bins.size() > 1 ? (curve.bins[1].begin - curve.bins[0].begin).count() / 2 : 0;
  for (Bin& bin : curve.bins) {
    const UtcTime middle{bin.begin.us + half};
    for (const Segment& segment : figures->segments)
      if (segment.begin <= middle && middle < segment.end) bin.kind = segment.kind;
    if (!figures->segments.empty() && middle >= figures->segments.back().end && bin.samples > 0)
      bin.kind = figures->segments.back().kind;
  }
  if (figures->segments.empty()) return {};
  curve.so_far = shown_figures(summarise(figures->segments, figures->totals, figures->segment_warnings,
                                         figures->clock_steps, {figures->step_w, figures->info.traits.accuracy}));
  const Segment& segment = figures->segments.back();
  curve.kind = segment.kind;
  curve.kind_for_s = to_seconds(segment.end - segment.begin).value;
  curve.settling = segment.settling_unfinished;
  if (!segment.level_w) return {};
  auto level = level_of(figures->info, segment, figures->step_w);
  if (!level) return tl::unexpected(level.error());
  curve.level = std::move(*level);
  return {};
}

Result<std::optional<LiveLevel>> LiveSource::level_of(const storage::RunInfo& run, const Segment& segment,
                                                      double step_w) {
  const double length_s = to_seconds(segment.end - segment.begin).value;
  if (known_ && known_->begin == segment.begin && segment.end >= known_->end &&
      to_seconds(segment.end - known_->end).value <= grown_by * length_s)
    return known_->level;
  LiveLevel level{{*segment.level_w, segment.uncertainty_w.value_or(0.0)}, std::nullopt};
  std::vector<double> times_s, power_w;
  if (segment.samples <= budget_readings) {
    const auto read = figures::shown_powers(*store_, run, segment.begin, segment.end, [&](UtcTime at, double shown_w) {
      times_s.push_back(to_seconds(at - segment.begin).value);
      power_w.push_back(shown_w);
      return true;
    });
    if (!read) return tl::unexpected(read.error());
  }
  BudgetInput input;
  input.power = {times_s, power_w};
  input.traits = run.traits;
  input.step_w = step_w;
  if (const auto budget = power_w.empty() ? std::nullopt : level_budget(input)) {
    level.figure = {budget->level_w, budget->uncertainty_w};
    level.forecast = level_forecast(*budget, length_s);
  }
  level.figure.finest =
      finest_digit(level.figure, {step_w, run.traits.accuracy.has_value() || run.traits.correction.has_value()});
  known_ = Known{segment.begin, segment.end, level};
  return level;
}

}  // namespace nightwatt::query
