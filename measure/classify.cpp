#include <algorithm>
#include <cmath>
#include <limits>

#include "level.hpp"
#include "measure/segmenter.hpp"

namespace nightwatt {

namespace {

constexpr double standby_share = 0.40;     // of the reference level: the contract's
constexpr double idle_share = 0.07;        // of the idle level: the contract's
constexpr double start_up_peak = 1.05;     // of the level it leads to
constexpr double start_up_level_s = 60.0;  // what is held for longer is a level of its own
constexpr double start_up_level = 1.5;  // of the level it leads to, where a start-up holds one: a load settles by less
constexpr double working_share = 0.90;  // of the lowest steady level: below it the device was seen working lower
constexpr double off_share = 0.25;      // of a display step: most of what is shown is 0
constexpr double truncated_off_share = 0.02;  // a display that cuts off shows 0 up to a whole step
constexpr double small_standby_w = 3.0;       // an adapter alone or asleep; common practice, no source
// What the European rules allow a device that is off or on standby ((EU) 2023/826, from memory), beside a level that no
// idle is so far below: a display asleep.
constexpr double asleep_w = 0.5;
constexpr double asleep_share = 0.05;
constexpr double noise_reach = 3.5;  // standard deviations that the peaks of a noisy level reach by themselves

/// Made when the stretch became final; anew where the display's step is known better since.
std::optional<LevelFigure> figure_of(const Stretch& s, const ClassifyInput& input) {
  if (s.has_figure_for(input.learnt.step_w)) return s.figure;
  return level_figure(s, input.learnt.step_w, input.settings.traits.truncates);
}

Segment figures(const Stretch& s, const ClassifyInput& input) {
  Segment g;
  g.begin = s.begin;
  g.end = s.end;
  g.begin_uncertainty_s = s.begin_uncertainty_s;
  g.end_uncertainty_s = s.end_uncertainty_s;
  g.samples = s.samples;
  if (s.shape == StretchShape::gap) {
    g.kind = SegmentKind::gap;
    return g;
  }
  g.lowest_w = s.lowest_w;
  g.highest_w = s.highest_w;
  g.excursions = s.excursions;
  g.duty = s.duty;
  if (s.covered_s > 0.0) {
    g.energy_wh = s.energy_ws / 3600.0;
    g.mean_w = s.energy_ws / s.covered_s;
  } else if (s.samples > 0) {
    g.mean_w = s.digest().mean_w;
  }
  g.kind = s.shape == StretchShape::ramp ? SegmentKind::ramp : SegmentKind::unsteady;
  if (s.shape == StretchShape::ramp && s.end > s.begin)
    g.drift_w_per_h = (s.line_end_w - s.line_begin_w) / to_seconds(s.end - s.begin).value * 3600.0;
  if (s.shape != StretchShape::steady) return g;
  if (const std::optional<LevelFigure> figure = figure_of(s, input)) {
    g.kind = SegmentKind::plateau;
    g.level_w = figure->level_w;
    g.shown_w = figure->shown_w;
    const std::optional<Accuracy>& accuracy = input.settings.traits.accuracy;
    const double promise_w = accuracy ? accuracy->half_width(figure->level_w) / std::sqrt(3.0) : 0.0;
    g.parts = LevelParts{figure->chance_w, figure->chance_freedom, figure->shared_w, promise_w};
    g.uncertainty_w = g.parts->expanded_w();
    g.drift_w_per_h = figure->drift_w_per_h;
    if (const std::optional<Settling>& settling = figure->settling) {
      g.settling_unfinished = !settling->ended;
      if (settling->ended) {
        g.settled_w = settling->limit_w;
        g.settling_s = settling->time_s;
      }
    }
  }
  return g;
}

bool steady(const Segment& g) {
  return g.level_w.has_value();
}

/// Kinds go by what the display showed: whether something is off must not hang on what lies behind its rounding.
class Namer {
 public:
  Namer(std::vector<Segment>& segments, std::span<const Stretch> stretches, const ClassifyInput& input,
        std::vector<std::string>& warnings)
      : segments_(segments), stretches_(stretches), input_(input), warnings_(warnings) {}

  void run() {
    name_off();
    name_standby();
    name_idle();
    obey_marks();
  }

 private:
  [[nodiscard]] double off_limit() const {
    const double share = input_.settings.traits.truncates ? truncated_off_share : off_share;
    return input_.settings.traits.starting_w.value_or(input_.learnt.step_w * share);
  }

  void name_off() {
    const bool told = input_.settings.traits.starting_w.has_value();
    // A level near the limit would be off in one hour and on in the next: all such of a run are judged as one.
    double time_s = 0.0, sum = 0.0;
    const auto near = [&](const Segment& g) {
      return !told && std::abs(*g.shown_w - off_limit()) <= off_limit() / 2.0;
    };
    for (const Segment& g : segments_) {
      if (!steady(g) || !near(g)) continue;
      time_s += to_seconds(g.end - g.begin).value;
      sum += to_seconds(g.end - g.begin).value * *g.shown_w;
    }
    const bool near_is_off = time_s > 0.0 && sum / time_s <= off_limit();
    for (Segment& g : segments_)
      if (steady(g) && (near(g) ? near_is_off : *g.shown_w <= off_limit())) g.kind = SegmentKind::off;
  }

  /// The first steady level after a start-up: after `off`, or after an unsteady span that follows a level below 40 %
  /// and peaks above the level it leads to. A device that starts works harder than when it then idles; one on its way
  /// into a load works less than it does there. A level held for less than a minute on the way is part of it.
  [[nodiscard]] std::optional<std::size_t> start_up() const {
    bool was_off = false;
    std::optional<double> low;  // the last steady level
    double peak = 0.0;          // of what is unsteady since
    for (std::size_t i = 0; i < segments_.size(); ++i) {
      const Segment& g = segments_[i];
      if (g.kind == SegmentKind::unsteady || g.kind == SegmentKind::ramp) {
        if (g.kind == SegmentKind::unsteady) peak = std::max(peak, g.highest_w.value_or(0.0));
        continue;
      }
      if (g.kind == SegmentKind::gap) {
        low.reset();
        peak = 0.0;
        continue;
      }
      if (g.kind != SegmentKind::off) {
        const bool brief = to_seconds(g.end - g.begin).value < start_up_level_s;
        if (brief && (low ? *low < standby_share * *g.shown_w : was_off)) {
          peak = std::max(peak, *g.shown_w * start_up_peak / start_up_level);
          continue;
        }
        const bool from_low = low && *low < standby_share * *g.shown_w;
        if ((from_low || (!low && was_off)) && peak > own_peak_w(i)) return i;
        low = *g.shown_w;
      } else {
        was_off = true;
        low.reset();
      }
      peak = 0.0;
    }
    return std::nullopt;
  }

  /// Higher than a start-up's level reaches by itself.
  [[nodiscard]] double own_peak_w(std::size_t i) const {
    const double shown_w = *segments_[i].shown_w;
    return std::max(start_up_peak * shown_w, shown_w + noise_reach * stretches_[i].digest().deviation_w);
  }

  void name_standby() {
    std::vector<std::size_t> on;
    for (std::size_t i = 0; i < segments_.size(); ++i)
      if (steady(segments_[i]) && segments_[i].kind != SegmentKind::off) on.push_back(i);
    if (on.size() < 2) return;
    const std::optional<std::size_t> started = start_up();
    const std::size_t reference_at = started.value_or(on.front());
    const double reference = *segments_[reference_at].shown_w;
    const double limit = standby_share * reference;
    std::vector<double> held_before;
    for (const std::size_t i : on) {
      if (!started || i >= *started || *segments_[i].shown_w >= limit) continue;
      segments_[i].kind = SegmentKind::standby;
      held_before.push_back(*segments_[i].shown_w);
    }
    for (const std::size_t i : on) {
      if (i <= reference_at || *segments_[i].shown_w >= limit) continue;
      const double level = *segments_[i].shown_w;
      const bool known = std::any_of(held_before.begin(), held_before.end(), [&](double h) {
        return std::abs(level - h) <= std::max(input_.learnt.step_w / 2.0, idle_share * h);
      });
      if (known) {
        segments_[i].kind = SegmentKind::standby;
      } else if (level < small_standby_w) {
        segments_[i].kind = SegmentKind::standby;
        warn(
            "a level of less than 3 W was entered after the device had worked: it is taken as standby, but may be its "
            "idle");
      }
    }
    if (started) return;
    lowest_of_three(on);
    asleep(on);
  }

  void asleep(const std::vector<std::size_t>& on) {
    const auto is_asleep = [&](std::size_t i) { return *segments_[i].shown_w <= asleep_w; };
    double awake_w = std::numeric_limits<double>::infinity();
    for (const std::size_t i : on)
      if (!is_asleep(i)) awake_w = std::min(awake_w, *segments_[i].shown_w);
    for (const std::size_t i : on) {
      Segment& g = segments_[i];
      if (!is_asleep(i) || *g.shown_w > asleep_share * awake_w || g.kind == SegmentKind::standby) continue;
      g.kind = SegmentKind::standby;
      warn("a level of no more than 0.5 W, a twentieth of the next, is taken as standby, but may be the device's idle");
    }
  }

  void lowest_of_three(const std::vector<std::size_t>& on) {
    std::vector<double> levels;
    for (const std::size_t i : on) levels.push_back(*segments_[i].shown_w);
    std::sort(levels.begin(), levels.end());
    const double low = levels.front();
    const auto second = std::find_if(levels.begin(), levels.end(), [&](double x) { return x * standby_share > low; });
    if (second == levels.end()) return;
    const auto third = std::find_if(second, levels.end(), [&](double x) { return x * standby_share > *second; });
    if (third == levels.end()) return;
    for (const std::size_t i : on) {
      Segment& g = segments_[i];
      if (*g.shown_w > low * (1.0 + idle_share) + input_.learnt.step_w / 2.0 || g.kind == SegmentKind::standby)
        continue;
      const bool edge = i == 0 || i + 1 == segments_.size() || segments_[i - 1].kind == SegmentKind::off ||
                        segments_[i + 1].kind == SegmentKind::off;
      if (!edge) continue;
      g.kind = SegmentKind::standby;
      warn("no start-up was seen: the lowest of three levels is taken as standby, but may be the device's idle");
    }
  }

  void name_idle() {
    double idle = -1.0;
    for (const Segment& g : segments_)
      if (g.kind == SegmentKind::plateau && (idle < 0.0 || *g.shown_w < idle)) idle = *g.shown_w;
    if (idle < 0.0 || seen_working_below(idle)) return;
    for (Segment& g : segments_)
      if (g.kind == SegmentKind::plateau &&
          *g.shown_w - idle <= std::max(input_.learnt.step_w / 2.0, idle_share * idle))
        g.kind = SegmentKind::idle;
  }

  /// After the first steady level: the device worked well below `level`, but never 20 s at one power.
  [[nodiscard]] bool seen_working_below(double level) {
    bool begun = false;
    for (std::size_t i = 0; i < segments_.size(); ++i) {
      const Segment& g = segments_[i];
      begun = begun || g.kind == SegmentKind::plateau;
      if (!begun || g.kind != SegmentKind::unsteady) continue;
      const bool into_off = i + 1 < segments_.size() && segments_[i + 1].kind == SegmentKind::off;
      if (into_off || *g.mean_w >= working_share * level || *g.mean_w < small_standby_w || *g.lowest_w <= off_limit())
        continue;
      warn(
          "the device worked below its lowest steady level, but never long enough at one power: no idle level can be "
          "quoted");
      return true;
    }
    return false;
  }

  void obey_marks() {
    for (const KindMark& mark : input_.marks)
      for (Segment& g : segments_)
        if (g.begin <= mark.at && (mark.at < g.end || (&g == &segments_.back() && mark.at == g.end)))
          g.kind = mark.kind;
  }

  void warn(std::string text) {
    if (std::find(warnings_.begin(), warnings_.end(), text) == warnings_.end()) warnings_.push_back(std::move(text));
  }

  std::vector<Segment>& segments_;
  std::span<const Stretch> stretches_;  ///< what the segments were made of, one by one
  const ClassifyInput& input_;
  std::vector<std::string>& warnings_;
};

}  // namespace

Classified classify(std::span<const Stretch> stretches, const ClassifyInput& input) {
  Classified result;
  for (std::size_t i = 0; i < stretches.size(); ++i) {
    result.segments.push_back(figures(stretches[i], input));
    result.segments.back().open = input.open && i >= input.final_count;
  }
  if (result.segments.empty()) {
    if (input.run_end > input.run_begin) {
      Segment hole;
      hole.kind = SegmentKind::gap;
      hole.begin = input.run_begin;
      hole.end = input.run_end;
      hole.open = input.open;
      result.segments.push_back(hole);
    }
    return result;
  }
  // A run may be opened before its first reading and closed after its last.
  result.segments.front().begin = std::min(result.segments.front().begin, input.run_begin);
  result.segments.back().end = std::max(result.segments.back().end, input.run_end);
  Namer(result.segments, stretches, input, result.warnings).run();
  return result;
}

}  // namespace nightwatt
