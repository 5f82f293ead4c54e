#include "feed.hpp"

#include <algorithm>
#include <deque>
#include <limits>

#include "figures/figures.hpp"
#include "figures/run_json.hpp"
#include "text/json_text.hpp"

namespace nightwatt::publish {
namespace {

constexpr std::size_t messages_at_once = 100;
constexpr std::int64_t end_of_time = std::numeric_limits<std::int64_t>::max();

std::string reading_json(const Reading& reading, Duration utc_offset) {
  return text::json_string([&](text::JsonWriter& json) {
    json.begin_object().field("time", reading.time + utc_offset);
    for (const Quantity quantity : all_quantities)
      if (const auto value = reading.values.get(quantity)) json.field(quantity_column(quantity), *value);
    json.end_object();
  });
}

}  // namespace

Result<void> Feed::look_for_first_time(const storage::StoreReader& store) {
  const auto streams = store.streams();
  if (!streams) return tl::unexpected(streams.error());
  for (const storage::StreamInfo& stream : *streams) {
    const auto last = store.last_reading(stream.id);
    if (!last) return tl::unexpected(last.error());
    if (*last) told_us_[stream.id] = (*last)->time.us;
  }
  const auto runs = store.run_list();
  if (!runs) return tl::unexpected(runs.error());
  for (const storage::RunInfo& run : runs->sound) {
    newest_run_ = std::max(newest_run_, run.id);
    if (!run.end) open_.insert(run.id);
  }
  looked_ = true;
  return {};
}

Result<std::vector<Message>> Feed::next(const storage::StoreReader& store) {
  next_us_.clear();
  next_ended_.clear();
  if (!looked_)
    if (auto done = look_for_first_time(store); !done) return tl::unexpected(done.error());
  std::vector<Message> messages;
  const auto streams = store.streams();
  if (!streams) return tl::unexpected(streams.error());
  for (const storage::StreamInfo& stream : *streams)
    if (stream.meter)
      if (auto done = add_readings(store, stream, messages); !done) return tl::unexpected(done.error());
  if (auto done = add_ends(store, messages); !done) return tl::unexpected(done.error());
  return messages;
}

Result<void> Feed::add_readings(const storage::StoreReader& store, const storage::StreamInfo& stream,
                                std::vector<Message>& messages) {
  const auto told = told_us_.find(stream.id);
  const UtcTime from{told == told_us_.end() ? std::numeric_limits<std::int64_t>::min() : told->second + 1};
  std::deque<Reading> waiting;
  std::int64_t too_many = 0;
  const auto read = store.readings(stream.id, from, UtcTime{end_of_time}, [&](const Reading& reading) {
    waiting.push_back(reading);
    if (waiting.size() > most_waiting) {
      waiting.pop_front();
      ++too_many;
    }
    return true;
  });
  if (!read) return read;
  dropped_ += too_many;
  if (waiting.empty()) return {};
  if (too_many > 0) told_us_[stream.id] = waiting.front().time.us - 1;
  const auto utc_offset = store.utc_offset_at(stream.id, waiting.back().time);
  if (!utc_offset) return tl::unexpected(utc_offset.error());
  const std::string topic = topic_of(topic_, rig_, *stream.meter) + "/reading";
  for (const Reading& reading : waiting) {
    if (messages.size() >= messages_at_once) break;
    messages.push_back({topic, reading_json(reading, *utc_offset), true});
    next_us_[stream.id] = reading.time.us;
  }
  return {};
}

// Looked at twice a second: only runs that are open or new are read.
Result<void> Feed::add_ends(const storage::StoreReader& store, std::vector<Message>& messages) {
  const auto ids = store.run_ids();
  if (!ids) return tl::unexpected(ids.error());
  for (const storage::RunId id : *ids)
    if (id > newest_run_) open_.insert(id);
  if (!ids->empty()) newest_run_ = std::max(newest_run_, ids->back());
  for (auto id = open_.begin(); id != open_.end();) {
    const auto run = store.run(*id);
    if (!run && run.error().kind != ErrorKind::negative) return tl::unexpected(run.error());
    if (!run || (run->end && !run->meter)) {  // joined to another, or of no meter
      id = open_.erase(id);
      continue;
    }
    ++id;
    if (!run->end) continue;
    const auto record = figures::run_record(store, *run);
    if (!record) return tl::unexpected(record.error());
    messages.push_back(
        {topic_of(topic_, rig_, *run->meter) + "/run",
         text::json_string([&](text::JsonWriter& json) { figures::write_summary(json, *record, nullptr); }), true});
    next_ended_.insert(run->id);
  }
  return {};
}

void Feed::told() {
  for (const auto& [stream, us] : next_us_) told_us_[stream] = us;
  for (const storage::RunId run : next_ended_) open_.erase(run);
}

}  // namespace nightwatt::publish
