// What a store keeps of runs, marks and events, a type a kind of row. Times are the record's (see UtcTime).
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "measure/segment/segment_kind.hpp"
#include "measure/signal/learnt.hpp"
#include "measure/signal/meter_profile.hpp"
#include "measure/signal/time.hpp"
#include "measure/uncertainty/regime.hpp"

namespace nightwatt::storage {

using StreamId = std::int64_t;
using RunId = std::int64_t;

/// What one meter delivers, or what one imported file delivered.
struct StreamInfo {
  StreamId id = 0;
  std::optional<std::string> meter;  ///< none: imported
};

enum class RunOrigin : std::uint8_t { automatic, by_hand, imported, entered };

/// What to open a run with.
struct NewRun {
  StreamId stream = 0;  ///< 0 for entered rows
  std::optional<std::string> device;
  RunOrigin origin = RunOrigin::by_hand;
  UtcTime begin;
  bool pinned = false;
  std::string note;
  std::vector<std::string> includes;
  std::vector<std::pair<std::string, std::string>> conditions;
  MeterTraits traits;
  double shortest_segment_s = 20.0;
  // entered rows only: what was read from a display
  std::optional<double> entered_idle_w;
  std::optional<double> entered_load_w;
};

/// A run as it is kept.
struct RunInfo : NewRun {
  RunId id = 0;
  std::optional<std::string> meter;
  std::optional<UtcTime> end;  ///< none: open
  std::int64_t samples = 0;
};

/// A run of which not all rows prove sound.
struct DamagedRun {
  /// What its own row says.
  struct Said {
    StreamId stream = 0;
    std::optional<std::string> device;
    UtcTime begin;
    std::optional<UtcTime> end;
    bool is_sound = false;  ///< the row proves sound, what is damaged is elsewhere; else any of it may be wrong
  };
  RunId id = 0;
  std::string why;
  std::optional<Said> said;  ///< none: the row cannot be read
};

/// The runs of a store as far as they prove sound, by number.
struct RunList {
  std::vector<RunInfo> sound;
  std::vector<DamagedRun> damaged;
  bool is_whole = true;  ///< false: there were more runs, of which no row is left
};

/// What a person says of a run beside its figures.
struct RunWords {
  std::string note;
  std::vector<std::string> includes;
  std::vector<std::pair<std::string, std::string>> conditions;
};

/// What the segmenter and the totals had made of a run, as of one reading: a writer or reader goes on from `as_of` by
/// replaying the readings after it.
struct ResumeMark {
  std::string segmenter_bytes;  ///< RunBuilder::saved_segmenter(); empty once the run is finished
  std::string totals_bytes;     ///< RunBuilder::saved_totals()
  Learnt learnt;
  std::optional<UtcTime> as_of;  ///< last reading counted in the state; none: none yet
  std::int64_t samples = 0;      ///< readings counted in the state
};

/// What is kept of a run's figures.
struct RunState : ResumeMark {
  std::vector<Regime> regimes;  ///< final ones
};

/// Of the stretches of a run, which are read with their sketches: only budgets need them all.
enum class Sketches : std::uint8_t { all, where_needed };  ///< needed: a level whose figure has to be made anew

struct Mark {
  std::int64_t id = 0;
  std::optional<RunId> run;
  std::optional<std::string> meter;
  UtcTime at;
  std::string text;
  std::optional<SegmentKind> kind;
};

enum class EventKind : std::uint8_t {
  service_started,
  service_stopped,
  killed,
  port_lost,
  port_back,
  clock_step,
  disk_full,
  disk_room,
  readings_lost,
  config_reloaded,
  store_moved,
  outage,
  store_damaged
};
[[nodiscard]] std::string_view event_kind_name(EventKind kind);
struct Event {
  EventKind kind = EventKind::service_started;
  UtcTime at;
  std::optional<std::string> meter;
  std::string detail;   ///< one line
  double amount = 0.0;  ///< seconds of a clock step, of an outage in the record's time, readings lost; else 0
};

}  // namespace nightwatt::storage
