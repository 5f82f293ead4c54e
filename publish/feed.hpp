// What is new in a store since it was last looked at, as messages.
#pragma once

#include <cstdint>
#include <map>
#include <set>
#include <string>
#include <vector>

#include "broker.hpp"
#include "measure/signal/result.hpp"
#include "storage/store.hpp"

namespace nightwatt::publish {

/// More than this waits in the store for a broker that is away; of what is older, the newest is told.
inline constexpr std::size_t most_waiting = 600;  // readings of a meter: ten minutes at one a second

/// Remembers what was told. One thread; outlives connections and stores' openings.
class Feed {
 public:
  Feed(std::string topic, std::string rig) : topic_(std::move(topic)), rig_(std::move(rig)) {}

  /// The next messages, few enough to be sent in one go; empty where there is nothing new. At the first call of all
  /// what is in the store already counts as told.
  [[nodiscard]] Result<std::vector<Message>> next(const storage::StoreReader& store);
  /// The broker has what next() gave.
  void told();
  [[nodiscard]] std::int64_t dropped() const { return dropped_; }  ///< readings that nobody was told of

 private:
  Result<void> look_for_first_time(const storage::StoreReader& store);
  Result<void> add_readings(const storage::StoreReader& store, const storage::StreamInfo& stream,
                            std::vector<Message>& messages);
  Result<void> add_ends(const storage::StoreReader& store, std::vector<Message>& messages);

  std::string topic_, rig_;
  bool looked_ = false;
  std::map<storage::StreamId, std::int64_t> told_us_, next_us_;  ///< newest reading told, and to be told now
  std::set<storage::RunId> open_, next_ended_;                   ///< runs seen open, and told as ended now
  storage::RunId newest_run_ = 0;
  std::int64_t dropped_ = 0;
};

}  // namespace nightwatt::publish
