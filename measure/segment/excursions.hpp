// A few readings away from a level that comes back: an excursion, though the engine takes them for noise.
#pragma once

#include <cstdint>
#include <deque>
#include <vector>

#include "segment/segment_pieces.hpp"
#include "segment/stream_point.hpp"

namespace nightwatt {

constexpr std::size_t longest_away = 8;  // readings; longer ones the engine cuts out

/// Follows the points of one piece.
class Excursions {
 public:
  enum class Place : std::uint8_t { level, leaves, away, back };
  /// Of the first of `coming`, of which so many are `alike`; `level_w` was shown before it, `recent` by the level.
  [[nodiscard]] Place place(const std::deque<StreamPoint>& coming, std::size_t alike, double level_w,
                            const std::vector<EdgePoint>& recent, double step_w);

  /// Its fields, once for save and restore.
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar(self.rested_, self.away_left_, self.was_away_, self.stir_w_);
  }

 private:
  [[nodiscard]] std::size_t away_from_here(const std::deque<StreamPoint>& coming, std::size_t alike, double level_w,
                                           const std::vector<EdgePoint>& recent, double step_w) const;

  std::int64_t rested_ = 0;    // points since the piece began or was last away
  std::size_t away_left_ = 0;  // points of an excursion still to come
  bool was_away_ = false;      // the last point was one of them
  double stir_w_ = 0.0;        // by how much neighbouring points differ, lately
};

}  // namespace nightwatt
