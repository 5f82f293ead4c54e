// What the store thread does with one meter: readings in, runs opened and closed by the contract's rules.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "daemon/reading_queue.hpp"
#include "daemon/requests.hpp"
#include "figures/run_recorder.hpp"
#include "measure/run/auto_run.hpp"
#include "storage/store.hpp"

namespace nightwatt::daemon {

/// One meter's stream and its open run. Store thread; no clock, no port. Every call that takes the store must run
/// between its begin() and commit(); if that transaction fails, throw the recorder away and resume() a new one, which
/// starts from what the store holds. Times are the record's.
class MeterRecorder {
 public:
  /// The run's and the automatic runs' state is written when this many readings have come since the last time, or when
  /// they span this long: a quiet meter's commit then touches the readings' tail alone, and a restart replays little.
  static constexpr std::size_t save_readings = 4096;
  static constexpr Duration save_span{3'600'000'000};
  /// `off` was seen once it lasted as long as the shortest steady segment by default; for "no automatic run opens after
  /// `end` until off was seen".
  static constexpr double off_seen_s = 20.0;

  /// Goes on where the store stands: the open run, if any, continues; readings after the last saved state are replayed.
  [[nodiscard]] static Result<MeterRecorder> resume(storage::StoreWriter& store, RecorderSettings settings);

  /// Stores readings and lets them act. One that is not later than the last is left out and counted in out_of_order().
  [[nodiscard]] Result<void> record(storage::StoreWriter& store, std::span<const Reading> readings);

  /// The meter has said nothing more until `now`: lets what it shows meanwhile open or end an automatic run.
  [[nodiscard]] Result<void> look(storage::StoreWriter& store, UtcTime now);

  /// Opens a run by hand at `at`, at most `now`. Refused (negative) over an open hand-opened run, (input) where it
  /// would overlap an earlier one. An open automatic run ends there.
  [[nodiscard]] Result<storage::RunId> begin(storage::StoreWriter& store, const BeginRequest& request, UtcTime at,
                                             UtcTime now);
  /// Ends the open run at `at`, at most `now`. Negative: none is open.
  [[nodiscard]] Result<storage::RunId> end(storage::StoreWriter& store, UtcTime at, UtcTime now);
  /// Ends the open run at `at` and opens one of the same origin there, without a device yet.
  [[nodiscard]] Result<storage::RunId> split(storage::StoreWriter& store, UtcTime at, UtcTime now);
  /// Undoes a split: the open run goes on as `first`, which ended where it began. Negative: they are no neighbours.
  [[nodiscard]] Result<storage::RunId> join(storage::StoreWriter& store, const storage::RunInfo& first);

  /// Writes all that a restart needs to go on at once.
  [[nodiscard]] Result<void> save(storage::StoreWriter& store);

  [[nodiscard]] storage::StreamId stream() const { return stream_; }
  [[nodiscard]] const RecorderSettings& settings() const { return settings_; }
  [[nodiscard]] std::optional<UtcTime> last() const { return last_; }
  [[nodiscard]] std::optional<storage::RunId> open_run() const;
  [[nodiscard]] std::optional<UtcTime> open_begin() const { return open_ ? std::optional(open_->begin) : std::nullopt; }
  [[nodiscard]] std::size_t out_of_order() const { return out_of_order_; }
  /// The runs that ended since the last call, for who tells of them once the transaction is over.
  [[nodiscard]] std::vector<storage::RunId> take_ended() { return std::exchange(ended_, {}); }
  /// What was found damaged and how recording goes on all the same, in lines.
  [[nodiscard]] std::vector<std::string> take_damage() { return std::exchange(damage_, {}); }

 private:
  MeterRecorder(RecorderSettings settings, storage::StreamId stream);

  // The open run; its builder has taken every stored reading from `begin` on.
  struct OpenRun {
    figures::RunRecorder builder;
    storage::RunOrigin origin = storage::RunOrigin::automatic;
    UtcTime begin;
  };

  [[nodiscard]] Result<void> find_runs(storage::StoreWriter& store);
  [[nodiscard]] Result<void> end_damaged(storage::StoreWriter& store, const storage::RunInfo& run, const Error& damage);
  [[nodiscard]] Result<void> restore_auto_state(storage::StoreWriter& store);
  [[nodiscard]] Result<void> remember_held(storage::StoreWriter& store);
  [[nodiscard]] Result<void> replay_auto_state(storage::StoreWriter& store, UtcTime after);
  [[nodiscard]] Result<void> put_auto_state(storage::StoreWriter& store, std::optional<UtcTime> as_of);
  /// All where none is damaged.
  [[nodiscard]] Result<std::vector<storage::RunInfo>> sound_runs(storage::StoreWriter& store);
  [[nodiscard]] Result<void> take_late(storage::StoreWriter& store, UtcTime first);
  [[nodiscard]] Result<void> judge(storage::StoreWriter& store, const Reading& reading, UtcTime stored_until);
  [[nodiscard]] Result<void> act(storage::StoreWriter& store, const AutoRun::Event& ending,
                                 const AutoRun::Event& watching, UtcTime as_of, UtcTime stored_until);
  [[nodiscard]] Result<void> open(storage::StoreWriter& store, storage::NewRun run, UtcTime stored_until);
  [[nodiscard]] Result<void> close(storage::StoreWriter& store, UtcTime end);
  [[nodiscard]] Result<void> close_before(storage::StoreWriter& store, UtcTime next);
  [[nodiscard]] Result<void> drop(storage::StoreWriter& store);
  [[nodiscard]] Result<void> end_where_off_began(storage::StoreWriter& store, UtcTime off, UtcTime as_of);
  [[nodiscard]] Result<void> save_if_due(storage::StoreWriter& store);
  [[nodiscard]] bool looks_off(const Reading& reading) const;
  [[nodiscard]] storage::NewRun new_run(storage::RunOrigin origin, UtcTime begin) const;

  RecorderSettings settings_;
  storage::StreamId stream_ = 0;
  std::optional<UtcTime> last_;
  std::optional<OpenRun> open_;
  std::optional<UtcTime> last_end_;  ///< latest end of the meter's closed runs
  AutoRun ending_;                   ///< says when a run ends
  AutoRun watching_;                 ///< says, sooner, that the device went off or came on
  bool wait_for_off_ = false;        ///< a hand ended a run: no automatic one until off was seen
  std::size_t unsaved_readings_ = 0;
  std::optional<UtcTime> saved_at_;
  bool last_looked_off_ = false;
  std::size_t out_of_order_ = 0;
  std::vector<storage::RunId> ended_;
  std::vector<std::string> damage_;
};

/// The name under which the store keeps a meter's automatic-run state.
[[nodiscard]] std::string auto_state_name(std::string_view meter);

}  // namespace nightwatt::daemon
