// Holds a stream's points until the change-point engine has decided to which piece each of them belongs.
#pragma once

#include <cmath>
#include <deque>
#include <span>
#include <utility>

#include "measure/segment/change_points.hpp"
#include "segment/segment_pieces.hpp"
#include "segment/stream_point.hpp"

namespace nightwatt {

enum class Border : std::uint8_t { none, change, gap };

class PointQueue {
 public:
  void set_step(double step_w) { engine_.set_step(std::asinh(step_w / linear_below_w)); }
  /// See ChangePoints.
  void judge_locally(std::size_t widest, double negligible, double shortest) {
    engine_.judge_locally(widest, negligible, shortest);
  }

  void push(StreamPoint p) {
    if (std::exchange(gap_before_next_, false)) gaps_.push_back(engine_.pushed());
    engine_.push(std::asinh(p.mean / linear_below_w));
    points_.push_back(std::move(p));
  }
  /// A gap follows the last point.
  void cut() {
    engine_.cut();
    gap_before_next_ = true;
  }
  void finish() { engine_.finish(); }

  [[nodiscard]] bool has_news() const { return engine_.has_final() || engine_.decided() > taken_; }
  /// The engine's changes so far; of as many points as are returned it is decided to which piece they belong.
  [[nodiscard]] std::size_t decide() {
    for (const std::int64_t change : engine_.take_final()) changes_.push_back(change);
    return static_cast<std::size_t>(engine_.decided() - taken_);
  }
  /// What lies before the first point; asked once for each.
  [[nodiscard]] Border border() {
    if (changes_.empty() || changes_.front() != taken_) return Border::none;
    changes_.pop_front();
    if (gaps_.empty() || gaps_.front() != taken_) return Border::change;
    gaps_.pop_front();
    return Border::gap;
  }
  [[nodiscard]] const std::deque<StreamPoint>& points() const { return points_; }
  /// How many of them, from the first, lie before the next change.
  [[nodiscard]] std::size_t alike() const {
    return changes_.empty() ? points_.size()
                            : std::min(points_.size(), static_cast<std::size_t>(changes_.front() - taken_));
  }
  void pop() {
    points_.pop_front();
    ++taken_;
  }

  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar(self.gap_before_next_, self.engine_, self.points_, self.taken_, self.changes_, self.gaps_);
  }

 private:
  bool gap_before_next_ = false;
  ChangePoints engine_;
  std::deque<StreamPoint> points_;
  std::int64_t taken_ = 0;            // engine index of points_.front()
  std::deque<std::int64_t> changes_;  // final, not yet reached by taken_
  std::deque<std::int64_t> gaps_;     // engine indices before which a gap lies
};

}  // namespace nightwatt
