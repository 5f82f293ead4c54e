// Brings what a store has and the mirror lacks to the server, piece by piece, each piece in one transaction with the
// cursor that says it is there: whatever is killed or cut, every row is there once.
#pragma once

#include <cstdint>
#include <functional>
#include <limits>
#include <map>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"
#include "server.hpp"
#include "storage/rows.hpp"
#include "storage/store.hpp"

namespace nightwatt::mirror {

/// One connection's work; thrown away with it, since what it knows of the server may be of another one after a restore.
class Copier {
 public:
  using Say = std::function<void(const std::string&)>;  ///< a warning

  Copier(Server& server, storage::StoreReader& store, std::string rig, Say warn)
      : server_(server), store_(store), rows_(store), rig_name_(std::move(rig)), warn_(std::move(warn)) {}

  /// Finds or makes the rig's row. ErrorKind::unusable where it was mirrored from another store or belongs to another
  /// role.
  [[nodiscard]] Result<void> begin();
  /// Readings of all meters up to now; then runs, marks and events that changed. `open_runs`: those that are still open
  /// too, which is worth it once a minute. `stop` is asked between pieces.
  [[nodiscard]] Result<void> pass(bool open_runs, const std::function<bool()>& stop);

  [[nodiscard]] std::int64_t copied() const { return copied_; }  ///< readings, since begin()

 private:
  Result<void> copy_notes();
  /// Puts the cursor back to the newest that store and server both have, should that be an older one.
  Result<void> find_reading_of_both(storage::StreamId stream);
  Result<void> find_event_of_both();
  Result<void> copy_readings(storage::StreamId stream, const std::function<bool()>& stop);
  Result<std::size_t> copy_batch(storage::StreamId stream);
  Result<void> make_month_of(std::int64_t us);
  Result<void> send_batch(storage::StreamId stream, const std::vector<Reading>& batch);
  Result<void> copy_runs(bool open_runs, const std::function<bool()>& stop);
  struct PrintedRun {
    storage::RunInfo info;
    std::string print;  ///< of all that the store has of it, and of this program's version
  };
  struct RunText {
    Texts columns;  ///< of table `run`, from `run` to `summary`
    std::string segments;
    std::vector<std::string> rows;
  };
  struct PrintedRuns {
    std::vector<PrintedRun> sound;
    std::set<storage::RunId> there;  ///< also damaged ones
    bool list_is_whole = true;
  };
  [[nodiscard]] Result<PrintedRuns> printed_runs() const;
  Result<void> drop_runs_but(const std::set<storage::RunId>& there);
  [[nodiscard]] Result<std::optional<RunText>> text_of_run(storage::RunId id) const;  ///< nothing: not to be mirrored
  Result<void> copy_run(const PrintedRun& run);
  Result<void> copy_events();
  Result<void> in_transaction(const std::function<Result<void>()>& work);

  Server& server_;
  storage::StoreReader& store_;
  storage::RowCopy rows_;
  std::string rig_name_;
  Say warn_;
  std::string rig_;  ///< its number on the server
  std::string notes_print_;
  std::int64_t last_event_ = 0;
  std::map<storage::RunId, std::string> run_prints_;  ///< as the server has them
  std::set<storage::StreamId> compared_;              ///< whose cursor is known to be at a reading of both
  std::set<std::int64_t> days_;                       ///< whose month has a partition
  std::int64_t last_day_ = std::numeric_limits<std::int64_t>::min();
  std::int64_t copied_ = 0;
};

}  // namespace nightwatt::mirror
