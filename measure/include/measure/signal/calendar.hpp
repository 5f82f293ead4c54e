// How the times of a record are shown: what to add to them, which may differ from one stretch of the record to the
// next.
#pragma once

#include <limits>
#include <optional>
#include <vector>

#include "measure/signal/time.hpp"

namespace nightwatt {

/// Made of a stream's shifts, oldest first. Before the first one times are shown as they are. A length that people are
/// told is the difference of two shown times: between two stretches lies an outage, which the record's own clock did
/// not see.
class Calendar {
 public:
  struct Outage {
    UtcTime newest;  ///< reading before it
    UtcTime end;
  };

  void add(UtcTime from, Duration utc_offset) { pieces_.push_back({from, utc_offset}); }
  /// Replaces the shift of the last stretch by one that was found later: it held from that stretch's begin.
  void correct(Duration utc_offset);
  /// Nothing was recorded from the newest reading, of any meter, until a stretch began. Services that came and went
  /// without storing a reading leave one each behind the same reading: together they are one.
  void note_outage(UtcTime newest, UtcTime end);
  /// Oldest first, in the record's time.
  [[nodiscard]] const std::vector<Outage>& outages() const { return outages_; }
  /// By how much the outage was longer than in the record; nullopt where shown times do not rise over it: how long it
  /// was is not known.
  [[nodiscard]] std::optional<Duration> unseen(const Outage& outage) const;
  /// Whether shown times rise over every outage.
  [[nodiscard]] bool rises() const;

  [[nodiscard]] Duration utc_offset_at(UtcTime record) const;
  [[nodiscard]] UtcTime shown(UtcTime record) const { return record + utc_offset_at(record); }
  /// The record time that is shown so; where there are several, the latest. Where the record has an outage shorter than
  /// it was, a shown time within the missing part gives the outage's end.
  [[nodiscard]] UtcTime record_time(UtcTime shown) const;

 private:
  struct Piece {
    UtcTime from;
    Duration utc_offset{0};
  };
  std::vector<Piece> pieces_;
  std::vector<Outage> outages_;
};

}  // namespace nightwatt
