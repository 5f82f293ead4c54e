// The store thread's work without the thread: takes what the queue holds and makes one transaction of it.
#pragma once

#include <array>
#include <atomic>
#include <cstdint>
#include <functional>
#include <map>
#include <mutex>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "daemon/log.hpp"
#include "daemon/meter_recorder.hpp"
#include "daemon/reading_queue.hpp"
#include "daemon/repeat_limiter.hpp"
#include "measure/signal/time.hpp"
#include "storage/store.hpp"

namespace nightwatt::daemon {

struct HandedOverMeter;

/// A line that one thread writes and others read.
class SharedLine {
 public:
  void set(std::string text) {
    const std::lock_guard lock(mutex_);
    text_ = std::move(text);
  }
  [[nodiscard]] std::string get() const {
    const std::lock_guard lock(mutex_);
    return text_;
  }

 private:
  mutable std::mutex mutex_;
  std::string text_;
};

/// How long commits took, as counts for a histogram: written by the store thread, read by any.
struct FlushTimes {
  /// Upper ends in milliseconds: an SSD's commit, a memory card's, a card's while it collects its garbage, and what a
  /// person would notice.
  static constexpr std::array<int, 10> upto_ms = {2, 5, 10, 25, 50, 100, 250, 500, 1000, 5000};
  std::array<std::atomic<std::uint64_t>, upto_ms.size() + 1> counts{};  ///< the last one: longer than all
  std::atomic<std::uint64_t> sum_us{0};
  void add(Duration took);
};

/// What the loop thread may look at while the store thread works.
struct PipelineState {
  std::atomic<std::uint64_t> beats{0};    ///< grows with every round: the thread is alive
  std::atomic<std::int64_t> flush_us{0};  ///< how long the last commit took
  FlushTimes flushes;
  std::atomic<std::uint64_t> waiting{0};  ///< readings taken from the queue and not yet stored
  std::atomic<bool> paused{false};        ///< the store cannot be written: full disk, locked
  std::atomic<bool> full{false};          ///< it cannot for want of room
  SharedLine why;                         ///< it cannot; empty while it can
  std::atomic<int> damages{0};            ///< how many damaged stores this service has set aside
  SharedLine damage;                      ///< the last of them, in a line
  std::atomic<std::uint64_t> refused{0};  ///< readings left out because they were not later than the last
};

/// A run that came to its end, as the store has it.
struct RunEnded {
  storage::RunInfo run;
  Duration utc_offset{0};          ///< add to its times to show them
  std::vector<std::string> moved;  ///< of its device's history, by this run: a sentence each
};

/// Owns the store's writer and a recorder for each meter. When a transaction fails, the batch is kept, the recorders
/// are thrown away and resumed from the store, and the batch is tried again: nothing is lost while the queue has room,
/// and figures never run ahead of readings. One thread, whichever calls.
class StorePipeline {
 public:
  using Meters = std::vector<std::pair<MeterId, RecorderSettings>>;

  /// What the loop must know before the first reading.
  struct Opened {
    std::optional<UtcTime> newest;                                 ///< latest reading of any meter, configured or not
    std::vector<std::pair<MeterId, std::optional<UtcTime>>> last;  ///< of each meter
    std::vector<Duration> utc_offsets;                             ///< in force in the store, in the order of `last`
    std::optional<KeptClock> clock;                                ///< of the last service
    bool killed = false;                                           ///< the last service did not stop cleanly
    bool looked = false;  ///< the above is from the store; else it could not even be read for want of room
  };

  /// Retries of a store that cannot be written begin at, and grow to, this pause.
  static constexpr Duration first_pause{500'000};
  static constexpr Duration longest_pause{10'000'000};
  /// Ageing out old data is looked at this often at most while there is little to do, and this often while more is
  /// left.
  static constexpr Duration retain_every{60'000'000};
  static constexpr Duration retain_more{1'000'000};
  /// What a size limit takes away is logged this often at most.
  static constexpr Duration say_what_went_every{6 * 3'600'000'000LL};
  /// Nothing is given up for its age before the calendar has stood for this long, since the start or its last step.
  static constexpr Duration calendar_settles{900'000'000};

  StorePipeline(std::string path, storage::StoreSettings settings, ReadingQueue& queue, PipelineState& state,
                const Clock& clock, LogSink log);
  ~StorePipeline();

  /// A store for which there is no room is no error: it is opened as soon as there is, and the queue waits.
  [[nodiscard]] Result<Opened> open(Meters meters);

  /// Called on the store thread for each run that ended, once that is stored. Must not wait.
  void on_run_ended(std::function<void(const RunEnded&)> call) { run_ended_ = std::move(call); }

  enum class Outcome : std::uint8_t {
    idle,    ///< nothing was queued
    stored,  ///< all of it is in the store
    paused,  ///< the store could not be written; call again after pause()
  };
  Outcome work();
  [[nodiscard]] Duration pause() const { return pause_; }

  /// Housekeeping while nothing waits; does a bounded amount.
  void tidy();

  /// Stores what is left, every meter's state and the clean end. False: the store could not be written.
  [[nodiscard]] bool close(UtcTime now);

 private:
  struct Answer {
    std::shared_ptr<RunCommand> command;
    Result<storage::RunId> result;
  };
  using Recorders = std::map<MeterId, MeterRecorder>;
  using StoreTrouble = storage::StoreTrouble;

  [[nodiscard]] Opened nothing_known() const;
  [[nodiscard]] Result<void> look(Opened& opened) const;
  [[nodiscard]] Result<void> quarantine_damage();
  [[nodiscard]] Result<void> mend_store();
  [[nodiscard]] Result<std::optional<UtcTime>> newest_of_all() const;
  [[nodiscard]] Result<void> resume_recorders();
  [[nodiscard]] Result<void> store_batch(std::vector<Answer>& answers);
  [[nodiscard]] Result<void> store_item(QueueItem& item, std::vector<Answer>& answers);
  [[nodiscard]] Result<void> record_gathered();
  [[nodiscard]] Result<void> put_utc_offset(const QueuedUtcOffset& utc_offset);
  [[nodiscard]] Result<void> change_meters(const QueuedMeters& change);
  [[nodiscard]] Result<void> introduce();
  [[nodiscard]] Result<void> put_carried_meters();
  [[nodiscard]] Result<void> put_room_events();
  [[nodiscard]] Result<void> put_stop(UtcTime now);
  [[nodiscard]] Result<storage::RunId> apply(const BeginRequest& request, UtcTime now);
  [[nodiscard]] Result<storage::RunId> apply(const EndRequest& request, UtcTime now);
  [[nodiscard]] Result<storage::RunId> apply(const SplitRequest& request, UtcTime now);
  [[nodiscard]] Result<storage::RunId> apply(const JoinRequest& request, UtcTime now);
  [[nodiscard]] Result<storage::RunId> apply(const MarkRequest& request, UtcTime now);
  [[nodiscard]] Result<MeterRecorder*> find_meter(const std::optional<std::string>& name, bool with_open_run);
  [[nodiscard]] Result<UtcTime> record_time(const MeterRecorder& recorder, UtcTime shown) const;
  [[nodiscard]] std::optional<UtcTime> newest() const;
  void notify_ended_runs();
  void name_by_itself(storage::RunId id);
  void note_failure(const Error& error);
  void note_success();
  [[nodiscard]] std::optional<UtcTime> first_of_batch(std::optional<MeterId> meter) const;
  void answer_failed(std::vector<Answer>& answers, const Error& error);
  void leave_moved_store();
  [[nodiscard]] Result<Opened> try_open();
  [[nodiscard]] Result<void> try_transact(std::vector<Answer>& answers);
  [[nodiscard]] bool is_damage(const Error& error) const;
  [[nodiscard]] bool leave_damaged_store(const Error& damage);
  void continue_from_store();
  [[nodiscard]] Result<void> notify_damage(MeterRecorder& recorder);
  void recompute_next_run();
  [[nodiscard]] storage::Ageing ageing(MonoTime now);
  void say_what_went(MonoTime now);
  [[nodiscard]] Result<void> ready_store();
  [[nodiscard]] Result<void> reopen_if_wanted();
  [[nodiscard]] StoreTrouble trouble() const { return store_ ? store_->trouble() : open_trouble_; }
  [[nodiscard]] Result<void> transact(std::vector<Answer>& answers);

  const std::string path_;
  storage::StoreSettings settings_;
  ReadingQueue& queue_;
  PipelineState& state_;
  const Clock& clock_;
  LogSink log_;
  std::optional<storage::ServiceLock> lock_;
  std::optional<storage::StoreWriter> store_;
  StoreTrouble open_trouble_ = StoreTrouble::none;  ///< why there is no store_
  Meters meters_;
  Recorders recorders_;
  bool reopen_ = false;                   ///< the store's settings changed
  bool stale_ = false;                    ///< the recorders ran ahead of a transaction that failed
  bool introduced_ = false;               ///< the store knows that this service is running
  std::vector<HandedOverMeter> carried_;  ///< from a store whose file is gone, not yet in the one at its path
  std::string quarantined_as_;            ///< the damaged store that carried_ is from; empty: it was moved by others
  std::optional<KeptClock> clock_kept_;   ///< what a new store is told of the record's clock
  std::vector<QueueItem> batch_;
  std::map<MeterId, std::vector<Reading>> gathered_;
  Duration pause_{first_pause};
  std::optional<UtcTime> full_since_;
  MonoTime full_seen_;  ///< when that was found out
  RepeatLimiter failure_lines_, moved_lines_;
  std::optional<MonoTime> tidied_;
  std::optional<MonoTime> calendar_since_;  ///< the first look, or the calendar's last step
  bool more_to_tidy_ = false;
  std::string what_went_;
  std::optional<MonoTime> said_what_went_;
  std::optional<std::vector<storage::RunId>> to_recompute_;  ///< runs not looked at yet by this service
  std::vector<storage::RunId> ended_;                        ///< in the transaction under way
  std::function<void(const RunEnded&)> run_ended_;
};

}  // namespace nightwatt::daemon
