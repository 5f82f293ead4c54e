#include "measure/segment/segmenter.hpp"

#include <algorithm>
#include <iterator>
#include <utility>

#include "measure/signal/gap_rule.hpp"
#include "measure/signal/held_power.hpp"
#include "segment/piece_row.hpp"
#include "segment/point_queue.hpp"
#include "segment/settled_pieces.hpp"
#include "signal/archive.hpp"
#include "signal/display_resolution.hpp"
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

/// What is held comes in beats, which are no gaps however short the profile's are.
std::optional<double> gap_of(const MeterTraits& traits) {
  if (!traits.gap_s || !traits.on_change) return traits.gap_s;
  return std::max(*traits.gap_s, 2.0 * to_seconds(HeldPower::beat).value);
}

}  // namespace

class Segmenter::Impl {
 public:
  explicit Impl(SegmenterSettings settings) : settings_(std::move(settings)), gaps_(gap_of(settings_.traits)) {
    if (settings_.traits.resolution_w && *settings_.traits.resolution_w > 0.0) {
      step_ = *settings_.traits.resolution_w;
      step_known_ = true;
      queue_.set_step(step_);
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
    if (std::optional<StreamPoint> p = seconds_.close()) emit(std::move(*p));
    queue_.finish();
    drain(0);
    row_.close(rules());
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
       self.display_, self.seconds_, self.queue_, self.row_, self.final_);
  }

 private:
  void believe_rate() {
    GapRule preview = gaps_;
    for (const RawReading& r : early_) preview.push(r.time);
    binned_ = early_.size() > 2 && preview.median_interval_s() < binned_below_s;
    rate_known_ = true;
    const double interval_s = binned_ ? 1.0 : std::max(preview.median_interval_s(), 1e-3);
    const double widest = noise_width_share * settings_.shortest_segment_s;
    queue_.judge_locally(static_cast<std::size_t>(std::clamp(widest / interval_s, 1.0, std::max(1.0, widest))),
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
    queue_.set_step(step_);
  }

  void accept(RawReading& r) {
    const bool gap = gaps_.push(r.time);
    if (gap) r.moved.reset();  // nobody knows when within the gap the counter moved
    learn_step(r.power_w);
    if (gap) {
      if (std::optional<StreamPoint> p = seconds_.close()) emit(std::move(*p));
      queue_.cut();
      drain(0);
    }
    if (!binned_)
      emit(StreamPoint(r));
    else if (std::optional<StreamPoint> p = seconds_.add(r))
      emit(std::move(*p));
  }

  void emit(StreamPoint p) {
    queue_.push(std::move(p));
    if (queue_.has_news()) drain(longest_away);
  }

  /// Takes the points about which the engine has decided into pieces, the last few left to be looked at ahead.
  void drain(std::size_t ahead) {
    for (std::size_t left = queue_.decide(); left > 0 && queue_.points().size() > ahead; --left) {
      const Border border = queue_.border();
      if (border != Border::none) {
        row_.close(rules());
        settle(border == Border::gap);
      }
      if (border == Border::gap) close_record(queue_.points().front().first);
      row_.take(queue_.points(), queue_.alike(), rules());
      queue_.pop();
    }
  }

  [[nodiscard]] PieceRules rules() const {
    return {settings_.shortest_segment_s, step_, gaps_.median_interval_s(), binned_};
  }

  /// Makes stretches of the pieces; `all`: nothing can join them any more.
  void settle(bool all) {
    if (row_.pieces().empty() || (!all && row_.pieces().size() < part_limit)) return;
    SettledPieces found = settled(row_.pieces(), rules(), settings_.traits.rounding, all);
    std::move(found.final.begin(), found.final.end(), std::back_inserter(final_));
    row_.replace(std::move(found.rest));
  }

  /// The record stops at the last point taken and goes on, if at all, at `next`.
  void close_record(UtcTime next) {
    const std::optional<UtcTime> last = row_.last();
    row_.cut();
    if (!last || next <= *last) return;
    Regime hole;
    hole.begin = *last;
    hole.end = next;
    hole.shape = RegimeShape::gap;
    if (final_.empty() || to_seconds(next - *last).value > gaps_.limit_s())
      final_.push_back(hole);
    else
      final_.back().end = next;
  }

  SegmenterSettings settings_;
  std::optional<UtcTime> last_pushed_;
  ReadingTrail trail_;
  std::vector<RawReading> early_;
  bool rate_known_ = false;
  bool binned_ = false;
  GapRule gaps_;
  bool step_known_ = false;
  double step_ = 0.0;
  DisplayResolution display_;
  SecondBins seconds_;  // of a binned stream
  PointQueue queue_;
  PieceRow row_;
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
