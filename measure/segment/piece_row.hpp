// Makes pieces of a stream's points, which come one by one with the changes between them.
#pragma once

#include <optional>
#include <vector>

#include "segment/excursions.hpp"
#include "segment/segment_pieces.hpp"
#include "segment/stream_point.hpp"

namespace nightwatt {

/// A point, the time from the point before and the energy of that time.
struct MeasuredPoint {
  StreamPoint point;
  double covered_s = 0.0;
  double energy_ws = 0.0;
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar(self.point, self.covered_s, self.energy_ws);
  }
};

/// The pieces since the last gap that are not settled yet, and the one that is open.
class PieceRow {
 public:
  /// Takes the first of `coming`, of which so many are `alike`: the others are known to belong to the same piece.
  void take(const std::deque<StreamPoint>& coming, std::size_t alike, const PieceRules& rules);
  /// The open piece is whole.
  void close(const PieceRules& rules);

  [[nodiscard]] const std::vector<Piece>& pieces() const { return pieces_; }
  void replace(std::vector<Piece> pieces) { pieces_ = std::move(pieces); }
  /// The time of the last point, unless a gap followed it.
  [[nodiscard]] std::optional<UtcTime> last() const {
    return previous_ ? std::optional(previous_->last) : std::nullopt;
  }
  /// A gap follows.
  void cut() { previous_.reset(); }

  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar(self.previous_, self.open_, self.piece_, self.excursions_);
    archive_points(ar, self.recent_);
    ar(self.held_, self.pieces_);
  }

 private:
  void open(const StreamPoint& p, double link_s, const PieceRules& rules);
  void remember(const EdgePoint& p);
  void measure(const StreamPoint& p, double covered_s, double energy_ws, const PieceRules& rules);
  void close_tail(const PieceRules& rules);

  std::optional<StreamPoint> previous_;  // last point taken
  bool open_ = false;
  Piece piece_;  // the open one
  Excursions excursions_;
  std::vector<EdgePoint> recent_;    // the piece's last readings
  std::vector<MeasuredPoint> held_;  // of a binned stream: the piece's first point and those that may be its last
  std::vector<Piece> pieces_;
};

}  // namespace nightwatt
