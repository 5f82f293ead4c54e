#include "measure/segment/segmenter.hpp"

#include <algorithm>
#include <cmath>
#include <deque>
#include <utility>

#include "measure/segment/change_points.hpp"
#include "measure/signal/gap_rule.hpp"
#include "measure/signal/held_power.hpp"
#include "measure/signal/microwatts.hpp"
#include "measure/uncertainty/recompute_figure.hpp"
#include "measure/uncertainty/statistics.hpp"
#include "segment/explanation.hpp"
#include "segment/segment_edges.hpp"
#include "segment/segment_pieces.hpp"
#include "signal/archive.hpp"
#include "signal/display_resolution.hpp"
#include "uncertainty/level.hpp"
#include "uncertainty/reading_trail.hpp"

namespace nightwatt {

namespace {

constexpr std::uint64_t state_version = 6;
// Faster streams are averaged to 1 s. Not at 0.5: a meter that is asked twice a second must not be the one or the other
// as its clock pleases.
constexpr double binned_below_s = 0.45;
constexpr double negligible_share = 0.015;     // of the power: a step that nobody would quote
constexpr double least_level_readings = 12.0;  // make a level, however rarely a meter speaks
constexpr double noise_width_share = 0.2;  // of a shortest segment: means that tell slow noise are short beside a level
constexpr std::size_t early_limit = 16;    // readings looked at before the rate is believed
constexpr std::int64_t fewest_edged =
    3;  // seconds: a part of a fast stream needs more to do without its first and last
// A few readings away from a level that comes back are an excursion, though the engine takes them for noise.
constexpr std::size_t longest_away = 8;   // readings; longer ones the engine cuts out
constexpr double away_steps = 2.5;        // a display toggles between neighbouring counts, and sometimes skips one
constexpr double away_deviations = 10.0;  // of the part's last readings: noise never does that
constexpr double away_stirs = 3.0;  // of how much neighbours usually differ; looked at first, for it costs nothing
constexpr double stir_readings = 16.0;
constexpr double away_share = 0.02;        // of the level: less makes no difference to it
constexpr std::int64_t rest_per_away = 4;  // readings at rest for each one away: more often, and it is how the level is
constexpr std::size_t part_limit = 96;     // parts kept before the oldest are settled
constexpr std::size_t part_lookahead = 24;      // parts that may still change what lies before them
constexpr std::size_t second_value_limit = 16;  // different values in a second: more, and the display is a fine one

struct RawReading {
  UtcTime time;
  double power_w = 0.0;
  std::optional<Moved> moved;
  TieStatistics repeats;
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar(self.time, self.power_w);
    archive_moved(ar, self.moved);
    ar(self.repeats);
  }
};

/// What the engine sees as one number: one reading, or the readings of one second.
struct Point {
  UtcTime first;
  UtcTime last;
  std::int64_t n = 0;
  double mean = 0.0;
  double m2 = 0.0;
  double low = 0.0;
  double high = 0.0;
  double first_w = 0.0;
  double last_w = 0.0;
  double integral_ws = 0.0;
  std::vector<ShownValue> values;  // of more than one reading; empty: too many
  std::optional<Moved> moved;      // the counter, last
  TieStatistics repeats;

  void start(const RawReading& r) {
    *this = {r.time,    r.time,    1,   r.power_w, 0.0,     r.power_w, r.power_w,
             r.power_w, r.power_w, 0.0, {},        r.moved, r.repeats};
  }
  void add(const RawReading& r) {
    if (n == 1) count(first_w);
    if (!values.empty()) count(r.power_w);
    if (r.moved) {
      const bool broken = moved && moved->tick.broken;
      moved = r.moved;
      moved->tick.broken = moved->tick.broken || broken;
    }
    repeats.add(r.repeats);
    integral_ws += to_seconds(r.time - last).value * (r.power_w + last_w) / 2.0;
    ++n;
    const double d = r.power_w - mean;
    mean += d / static_cast<double>(n);
    m2 += d * (r.power_w - mean);
    low = std::min(low, r.power_w);
    high = std::max(high, r.power_w);
    last = r.time;
    last_w = r.power_w;
  }
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar(self.first);
    ar.offset(self.last, self.first);
    ar(self.n, self.mean);
    archive_moved(ar, self.moved);
    ar(self.repeats);
    for (auto* same : {&self.low, &self.high, &self.first_w, &self.last_w}) ar.set(*same, self.mean);
    if (self.n == 1) return;
    ar(self.m2, self.low, self.high, self.first_w, self.last_w, self.integral_ws, self.values);
  }

 private:
  void count(double power_w) {
    const std::optional<std::int64_t> value = microwatts_of(power_w);
    const auto at = std::find_if(values.begin(), values.end(),
                                 [&](const ShownValue& shown) { return shown.microwatts == value.value_or(0); });
    if (!value || (at == values.end() && values.size() == second_value_limit)) {
      values.clear();
      return;
    }
    if (at == values.end())
      values.push_back({*value, 1});
    else
      ++at->n;
  }
};

}  // namespace

class Segmenter::Impl {
 public:
  explicit Impl(SegmenterSettings settings)
      : settings_(std::move(settings)), gap_s_(gap_of(settings_.traits)), gaps_(gap_s_) {
    if (settings_.traits.resolution_w && *settings_.traits.resolution_w > 0.0) {
      step_ = *settings_.traits.resolution_w;
      step_known_ = true;
      engine_.set_step(std::asinh(step_ / linear_below_w));
    }
  }

  void push(UtcTime time, double power_w) {
    if (last_pushed_ && time <= *last_pushed_) return;
    last_pushed_ = time;
    RawReading reading{time, power_w, trail_.take_moved(), trail_.power(power_w)};
    if (rate_known_) {
      accept(reading);
      return;
    }
    early_.push_back(reading);
    if (early_.size() >= early_limit) believe_rate();
  }

  void push_counter(UtcTime time, double counter_wh) { trail_.counter(time, counter_wh); }

  void finish(UtcTime end) {
    if (!rate_known_) believe_rate();
    close_bin();
    engine_.finish();
    drain(0);
    close_part();
    settle(true);
    close_record(end);
  }

  std::vector<Regime> take_final() { return std::exchange(final_, {}); }

  [[nodiscard]] std::vector<Regime> provisional() const {
    if (!last_pushed_) return {};
    Impl rest = *this;
    rest.final_.clear();
    rest.finish(*last_pushed_);
    return rest.take_final();
  }

  [[nodiscard]] Learnt learnt() const { return {step_, gaps_.median_interval_s()}; }

  /// The fields of its state, once for save and restore.
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar.version(state_version, state_version);
    ar(self.last_pushed_, self.early_, self.trail_, self.rate_known_, self.binned_, self.gaps_, self.step_,
       self.display_, self.bin_, self.bin_second_, self.gap_before_next_, self.engine_, self.points_, self.drained_,
       self.changes_, self.gaps_waiting_, self.previous_, self.part_open_, self.part_, self.rested_, self.away_left_,
       self.was_away_, self.stir_w_);
    archive_points(ar, self.recent_);
    ar(self.held_, self.parts_, self.final_);
  }

 private:
  void believe_rate() {
    GapRule preview = gaps_;
    for (const RawReading& r : early_) preview.push(r.time);
    binned_ = early_.size() > 2 && preview.median_interval_s() < binned_below_s;
    rate_known_ = true;
    const double interval_s = binned_ ? 1.0 : std::max(preview.median_interval_s(), 1e-3);
    const double widest = noise_width_share * settings_.shortest_segment_s;
    engine_.judge_locally(static_cast<std::size_t>(std::clamp(widest / interval_s, 1.0, std::max(1.0, widest))),
                          negligible_share, std::max(least_level_readings, settings_.shortest_segment_s / interval_s));
    std::vector<RawReading> early = std::exchange(early_, {});
    for (RawReading& r : early) accept(r);
  }

  void learn_step(double power_w) {
    if (step_known_ && !display_.may_be_coarser_than(*settings_.traits.resolution_w)) return;  // and never again
    display_.push(power_w);
    const double step_w = step_known_ ? display_.step_beside(*settings_.traits.resolution_w) : display_.step_w();
    if (step_w == step_) return;
    step_ = step_w;
    engine_.set_step(std::asinh(step_ / linear_below_w));
  }

  void accept(RawReading& r) {
    const bool gap = gaps_.push(r.time);
    if (gap) r.moved.reset();  // nobody knows when within the gap the counter moved
    learn_step(r.power_w);
    if (gap) {
      close_bin();
      engine_.cut();
      drain(0);
      gap_before_next_ = true;
    }
    if (!binned_) {
      Point p;
      p.start(r);
      emit(p);
      return;
    }
    const std::int64_t second = r.time.us / 1'000'000 - (r.time.us % 1'000'000 < 0 ? 1 : 0);
    if (bin_.n > 0 && second == bin_second_) {
      bin_.add(r);
      return;
    }
    close_bin();
    bin_second_ = second;
    bin_.start(r);
  }

  void close_bin() {
    if (bin_.n == 0) return;
    const Point p = bin_;
    bin_.n = 0;
    emit(p);
  }

  void emit(const Point& p) {
    if (gap_before_next_) {
      gap_before_next_ = false;
      gaps_waiting_.push_back(engine_.pushed());
    }
    points_.push_back(p);
    engine_.push(std::asinh(p.mean / linear_below_w));
    if (engine_.has_final() || engine_.decided() > drained_) drain(longest_away);
  }

  /// Takes the points about which the engine has decided into parts, the last few left to be looked at ahead.
  void drain(std::size_t ahead) {
    for (const std::int64_t c : engine_.take_final()) changes_.push_back(c);
    const std::int64_t decided = engine_.decided();
    while (drained_ < decided && points_.size() > ahead) {
      if (!changes_.empty() && changes_.front() == drained_) {
        changes_.pop_front();
        close_part();
        if (!gaps_waiting_.empty() && gaps_waiting_.front() == drained_) {
          gaps_waiting_.pop_front();
          settle(true);
          close_record(points_.front().first);
        } else {
          settle(false);
        }
      }
      take(points_.front());
      points_.pop_front();
      ++drained_;
    }
  }

  /// The change lies somewhere between two readings: the middle is as good as any, and off by half the way at most.
  void open_part(const Point& p, double link_s) {
    part_ = {};
    part_open_ = true;
    recent_.clear();
    rested_ = 0;
    away_left_ = 0;
    was_away_ = false;
    stir_w_ = 0.0;
    Regime& s = part_.regime;
    s.begin = p.first;
    s.lowest_w = p.low;
    s.highest_w = p.high;
    s.shape = RegimeShape::steady;
    if (!previous_ || parts_.empty()) return;
    s.begin = previous_->last + Duration((p.first - previous_->last).count() / 2);
    // Of a fast stream either second beside the change may hold it.
    const double width_s = binned_ ? to_seconds(p.last - previous_->first).value : link_s;
    s.begin_uncertainty_s = 2.0 * width_s / std::sqrt(12.0);
    const double half_s = to_seconds(s.begin - previous_->last).value;
    // The trapezoid's energy, to each side what it had: a slow meter's edge is half an interval of the other level.
    parts_.back().regime.energy_ws += half_s * previous_->last_w;
    parts_.back().regime.covered_s += half_s;
    s.energy_ws += (link_s - half_s) * p.first_w;
    s.covered_s += link_s - half_s;
  }

  /// How many points from the next one on are away from the level before them, which comes back after; 0: none.
  [[nodiscard]] std::size_t away_from_here() const {
    const auto longest = static_cast<std::size_t>(std::min<std::int64_t>(longest_away, rested_ / rest_per_away));
    const double level_w = previous_->mean;
    double least_w = std::max({away_steps * step_, away_share * std::abs(level_w), away_stirs * stir_w_});
    if (longest == 0 || std::abs(points_.front().mean - level_w) <= least_w) return 0;
    const std::vector<double> off = recent_off_w();
    least_w = std::max(least_w, away_deviations * 1.4826 * median_of(off));
    const auto often = std::count_if(off.begin(), off.end(), [&](double w) { return w > least_w / 2.0; });
    if (often * rest_per_away > static_cast<std::int64_t>(off.size())) return 0;
    const std::size_t part_ends =
        changes_.empty() ? points_.size() : static_cast<std::size_t>(changes_.front() - drained_);
    for (std::size_t i = 0; i < std::min(points_.size(), part_ends); ++i) {
      const double off_w = std::abs(points_[i].mean - level_w);
      if (i > 0 && off_w <= least_w / 2.0) return i;
      if (off_w <= least_w || i == longest) return 0;
    }
    return 0;
  }

  /// How far the part's last readings are from their median.
  [[nodiscard]] std::vector<double> recent_off_w() const {
    const std::size_t n = std::min(recent_.size(), edge_point_limit);
    std::vector<double> off;
    for (std::size_t i = recent_.size() - n; i < recent_.size(); ++i) off.push_back(recent_[i].mean);
    const double median = median_of(off);
    for (double& value : off) value = std::abs(value - median);
    return off;
  }

  void take(const Point& p) {
    Regime& s = part_.regime;
    double link_s = 0.0;
    double link_ws = 0.0;
    if (previous_) {
      link_s = to_seconds(p.first - previous_->last).value;
      link_ws = link_s * (p.first_w + previous_->last_w) / 2.0;
    }
    const bool began = !part_open_;
    if (began) open_part(p, link_s);
    s.end = p.last;
    s.samples += p.n;
    const double inner_s = to_seconds(p.last - p.first).value;
    if (!began) {
      s.energy_ws += link_ws;
      s.covered_s += link_s;
    } else {
      link_s = link_ws = 0.0;
    }
    s.energy_ws += p.integral_ws;
    s.covered_s += inner_s;
    if (is_away(p)) {
      previous_ = p;
      return;
    }
    // The way back belongs to no level either.
    if (std::exchange(was_away_, false))
      link_s = link_ws = 0.0;
    else if (!began)
      stir_w_ += (std::abs(p.mean - previous_->mean) - stir_w_) / stir_readings;
    ++rested_;
    ++part_.points;
    const EdgePoint point{p.first, p.last, p.n, p.mean};
    if (part_.points <= line_point_limit) part_.line.add(seconds_of(point.middle()), p.mean, static_cast<double>(p.n));
    remember(point);
    const Measured measured{p, link_s + inner_s, link_ws + p.integral_ws};
    if (!binned_) {
      measure(measured);
    } else {
      // The first and last second of a part may hold readings of its neighbours: they count in energy, not in levels.
      // Of a part of three seconds or less they count all the same, so these wait until there are more.
      if (part_.points > fewest_edged) {
        for (std::size_t i = 1; i < held_.size(); ++i) measure(held_[i]);
        held_.resize(1);
      }
      held_.push_back(measured);
    }
    previous_ = p;
  }

  /// Counts an excursion; true for its points, which are in the energy and in no level.
  bool is_away(const Point& p) {
    Regime& s = part_.regime;
    if (away_left_ == 0 && rested_ > 0 && !was_away_) {
      away_left_ = away_from_here();
      if (away_left_ > 0) ++s.excursions;
    }
    if (away_left_ == 0) return false;
    --away_left_;
    rested_ = 0;
    was_away_ = true;
    s.lowest_w = std::min(s.lowest_w, p.low);
    s.highest_w = std::max(s.highest_w, p.high);
    s.sketch.interrupt();
    return true;
  }

  /// Of a part its first and last readings are kept one by one: where it bends or jumps is looked for in them.
  void remember(const EdgePoint& p) {
    std::vector<EdgePoint>& first = part_.first_points;
    if (first.size() < edge_point_limit && first.size() + 1 == static_cast<std::size_t>(part_.points) &&
        to_seconds(p.first - part_.regime.begin).value < edge_reach_s)
      first.push_back(p);
    if (recent_.size() >= 2 * edge_point_limit)
      recent_.erase(recent_.begin(), recent_.end() - static_cast<std::ptrdiff_t>(edge_point_limit));
    recent_.push_back(p);
  }

  /// The part's last level and readings.
  void close_tail() {
    const auto size = static_cast<std::ptrdiff_t>(recent_.size());
    const bool edged = binned_ && part_.points > fewest_edged;  // the first and last second count in no level
    const std::ptrdiff_t first = edged && part_.points == size ? 1 : 0;
    const std::ptrdiff_t last = edged ? size - 2 : size - 1;
    const auto at = [&](std::ptrdiff_t i) -> const EdgePoint& { return recent_[static_cast<std::size_t>(i)]; };
    std::ptrdiff_t from = last;
    while (from > first && last - from + 1 < static_cast<std::ptrdiff_t>(edge_point_limit) &&
           to_seconds(at(last).first - at(from - 1).first).value < rules().edge_window_s())
      --from;
    part_.tail = {};
    for (std::ptrdiff_t i = from; i <= last; ++i) part_.tail.add({at(i).n, at(i).mean});
    std::ptrdiff_t kept = size;
    while (kept > 0 && size - kept < static_cast<std::ptrdiff_t>(edge_point_limit) &&
           to_seconds(at(size - 1).first - at(kept - 1).first).value < edge_reach_s)
      --kept;
    part_.last_points.assign(recent_.begin() + kept, recent_.end());
  }

  [[nodiscard]] PieceRules rules() const { return {settings_.shortest_segment_s, step_, gaps_.median_interval_s()}; }

  /// A point, the time from the point before and the energy of that time.
  struct Measured {
    Point point;
    double covered_s = 0.0;
    double energy_ws = 0.0;
    template <class Archive, class Self>
    static void archive(Archive& ar, Self& self) {
      ar(self.point, self.covered_s, self.energy_ws);
    }
  };

  void measure(const Measured& m) {
    const double window_s = rules().edge_window_s();
    const Point& p = m.point;
    Regime& s = part_.regime;
    SketchEntry entry{p.first, p.n, p.mean, p.m2, m.covered_s, m.energy_ws, p.values, {}, 0.0, 0, p.repeats};
    if (p.moved) {
      entry.tick = p.moved->tick;
      entry.tick_width_s = p.moved->width_s;
      entry.tick_step_uwh = p.moved->step_uwh;
    }
    s.sketch.add(entry);
    if (s.sketch.n() == p.n) {
      s.lowest_w = p.low;
      s.highest_w = p.high;
    }
    s.lowest_w = std::min(s.lowest_w, p.low);
    s.highest_w = std::max(s.highest_w, p.high);
    // A slow meter's first reading may come later than that.
    if (part_.head.n == 0 || to_seconds(p.first - s.begin).value < window_s) part_.head.add({p.n, p.mean});
  }

  void close_part() {
    if (!part_open_) return;
    part_open_ = false;
    if (part_.points <= fewest_edged)
      for (const Measured& m : held_) measure(m);
    held_.clear();
    part_.noise_n = std::max<std::int64_t>(part_.regime.sketch.n() - 1, 0);
    part_.noise_m2 = part_.regime.sketch.m2();
    close_tail();
    if (!parts_.empty()) {
      parts_.back().regime.end = part_.regime.begin;
      parts_.back().regime.end_uncertainty_s = part_.regime.begin_uncertainty_s;
    }
    parts_.push_back(std::move(part_));
    part_ = {};
  }

  /// Makes stretches of the parts; `all`: nothing can join them any more.
  void settle(bool all) {
    if (!all && parts_.size() < part_limit) return;
    if (parts_.empty()) return;
    Explanation explanation = explain(parts_, rules(), part_lookahead);
    if (!all && explanation.decided == 0 && explanation.segments[0].last == parts_.size() &&
        !is_span(explanation.segments[0])) {
      // One segment whose end is not in sight and that is more than a level: it ends before the last pieces, which
      // stay.
      explanation = explain(std::span(parts_).first(parts_.size() - part_lookahead), rules(), 0);
      explanation.decided = explanation.segments.size();
    }
    std::vector<Explained>& items = explanation.segments;
    std::size_t count = all ? items.size() : explanation.decided;
    std::vector<Piece> rest;
    if (count == 0 && is_span(items[0])) {
      // One long span whose end is not in sight: what it is made of need not be kept.
      rest.push_back(std::move(items[0].part));
      rest.insert(rest.end(), parts_.begin() + static_cast<std::ptrdiff_t>(items[0].last), parts_.end());
      parts_ = std::move(rest);
      return;
    }
    count = std::max<std::size_t>(count, 1);
    const std::size_t settled = items[count - 1].last;
    rest.assign(parts_.begin() + static_cast<std::ptrdiff_t>(settled), parts_.end());
    for (std::size_t i = 0; i < count; ++i) {
      if (i + 1 < count)
        place_edge(items[i].part, items[i + 1].part, rules());
      else if (!rest.empty())
        place_edge(items[i].part, rest.front(), rules());
      if (items[i].part.regime.shape == RegimeShape::ramp) draw_line(items[i].part);
      Regime& regime = final_.emplace_back(std::move(items[i].part.regime));
      // Now, not when it is asked for: the step may be learnt better meanwhile, and the bytes hang on nobody's asking.
      recompute_figure(regime, step_, settings_.traits.rounding);
    }
    parts_ = std::move(rest);
  }

  /// May be kept as one piece: a level stays one, and irregular work irregular.
  [[nodiscard]] static bool is_span(const Explained& item) {
    const Regime& s = item.part.regime;
    const bool simple = s.shape == RegimeShape::unsteady || (s.shape == RegimeShape::steady && !s.duty);
    return simple && item.last - item.first > part_lookahead;
  }

  /// The record stops at the last point taken and goes on, if at all, at `next`.
  void close_record(UtcTime next) {
    if (!previous_) return;
    if (next > previous_->last) {
      Regime hole;
      hole.begin = previous_->last;
      hole.end = next;
      hole.shape = RegimeShape::gap;
      const bool long_enough = to_seconds(next - previous_->last).value > gaps_.limit_s();
      if (long_enough || !final_or_emitted())
        final_.push_back(hole);
      else if (!final_.empty())
        final_.back().end = next;
    }
    previous_.reset();
  }
  [[nodiscard]] bool final_or_emitted() const { return !final_.empty(); }

  /// What is held comes in beats, which are no gaps however short the profile's are.
  static std::optional<double> gap_of(const MeterTraits& traits) {
    if (!traits.gap_s || !traits.on_change) return traits.gap_s;
    return std::max(*traits.gap_s, 2.0 * to_seconds(HeldPower::beat).value);
  }

  SegmenterSettings settings_;
  std::optional<double> gap_s_;
  std::optional<UtcTime> last_pushed_;
  ReadingTrail trail_;
  std::vector<RawReading> early_;
  bool rate_known_ = false;
  bool binned_ = false;
  GapRule gaps_;
  bool step_known_ = false;
  double step_ = 0.0;
  DisplayResolution display_;
  Point bin_;
  std::int64_t bin_second_ = 0;
  bool gap_before_next_ = false;
  ChangePoints engine_;
  std::deque<Point> points_;               // not yet decided by the engine
  std::int64_t drained_ = 0;               // engine index of points_.front()
  std::deque<std::int64_t> changes_;       // final, not yet reached by drained_
  std::deque<std::int64_t> gaps_waiting_;  // engine indices before which a gap lies
  std::optional<Point> previous_;          // last point taken
  bool part_open_ = false;
  Piece part_;
  std::int64_t rested_ = 0;        // points of the part since it began or was last away
  std::size_t away_left_ = 0;      // points of an excursion still to come
  bool was_away_ = false;          // the last point was one of them
  double stir_w_ = 0.0;            // by how much neighbouring points differ, lately
  std::vector<EdgePoint> recent_;  // the part's last readings
  std::vector<Measured> held_;     // of a binned stream: the part's first point and those that may be its last
  std::vector<Piece> parts_;
  std::vector<Regime> final_;
};

Segmenter::Segmenter(SegmenterSettings settings) : impl_(std::make_unique<Impl>(std::move(settings))) {}
Segmenter::~Segmenter() = default;
Segmenter::Segmenter(Segmenter&&) noexcept = default;
Segmenter& Segmenter::operator=(Segmenter&&) noexcept = default;

void Segmenter::push(UtcTime time, double power_w) {
  impl_->push(time, power_w);
}
void Segmenter::push_counter(UtcTime time, double counter_wh) {
  impl_->push_counter(time, counter_wh);
}
void Segmenter::finish(UtcTime end) {
  impl_->finish(end);
}
std::vector<Regime> Segmenter::take_final() {
  return impl_->take_final();
}
std::vector<Regime> Segmenter::provisional() const {
  return impl_->provisional();
}
Learnt Segmenter::learnt() const {
  return impl_->learnt();
}
std::string Segmenter::save() const {
  return saved(*impl_);
}

Result<Segmenter> Segmenter::restore(SegmenterSettings settings, std::string_view state) {
  Segmenter segmenter(std::move(settings));
  if (restored(state, *segmenter.impl_)) return segmenter;
  return fail(ErrorKind::input,
              "the saved state of a run's segments is damaged or of another version; segment the run anew");
}

}  // namespace nightwatt
