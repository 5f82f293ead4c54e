// Opening a store for questions, and the small questions.
#include <sys/stat.h>

#include <algorithm>

#include "reader_impl.hpp"
#include "schema.hpp"
#include "seal.hpp"
#include "tally.hpp"

namespace nightwatt::storage {

Snapshot::~Snapshot() {
  if (store_ == nullptr) return;
  auto& impl = *store_->impl_;
  if (--impl.snapshots > 0) return;
  impl.counted_rollups.clear();
  // Ends a read transaction: nothing to lose, nothing to report.
  (void)impl.database->guarded([&]() -> Result<void> {
    impl.database->execute("COMMIT");
    return {};
  });
}

StoreReader::StoreReader(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}
StoreReader::~StoreReader() = default;
StoreReader::StoreReader(StoreReader&&) noexcept = default;
StoreReader& StoreReader::operator=(StoreReader&&) noexcept = default;

Result<StoreReader> StoreReader::open(const std::string& path) {
  Result<std::unique_ptr<Database>> database = open_for_reading(path);
  if (!database) return pass_on(database.error());
  return StoreReader(std::make_unique<Impl>(std::move(*database)));
}

bool StoreReader::moved() const {
  return impl_->files.moved();
}

Result<Snapshot> StoreReader::snapshot() const {
  if (impl_->database->in_transaction() && impl_->snapshots == 0) return Snapshot(nullptr);  // a writer's own
  if (impl_->snapshots == 0) {
    const Result<void> begun = impl_->database->guarded([&]() -> Result<void> {
      impl_->database->execute("BEGIN");
      return {};
    });
    if (!begun) return pass_on(begun.error());
  }
  ++impl_->snapshots;
  return Snapshot(this);
}

std::optional<std::int64_t> store_bytes(const std::string& path) {
  struct stat main {
  }, log{};
  if (::stat(path.c_str(), &main) != 0) return std::nullopt;
  return main.st_size + (::stat((real_path(path) + log_suffix).c_str(), &log) == 0 ? log.st_size : 0);
}

Result<StoreStatus> StoreReader::status() const {
  const Result<Snapshot> moment = snapshot();
  if (!moment) return pass_on(moment.error());
  return impl_->database->guarded([&]() -> Result<StoreStatus> {
    StoreStatus status;
    status.path = impl_->database->path();
    status.bytes = store_bytes(status.path).value_or(0);
    const auto older = [&](std::int64_t time_us) {
      if (!status.oldest || time_us < status.oldest->us) status.oldest = UtcTime{time_us};
    };
    Query blocks = impl_->database->query(
        "SELECT min(first_us), sum(CASE WHEN data IS NULL THEN 0 ELSE count END) FROM block "
        "JOIN stream ON stream.id = block.stream WHERE published = 1");
    if (blocks.step() && !blocks.null(0)) {
      older(blocks.integer(0));
      status.samples += blocks.integer(1);
    }
    const Result<std::vector<StreamInfo>> all = streams();
    if (!all) return pass_on(all.error());
    for (const StreamInfo& stream : *all) {
      const Result<Columns> write_buffer = impl_->write_buffer(stream.id);
      if (!write_buffer) return pass_on(write_buffer.error());
      if (write_buffer->empty()) continue;
      older(write_buffer->times.front());
      status.samples += static_cast<std::int64_t>(write_buffer->size());
    }
    return status;
  });
}

Result<std::vector<StreamInfo>> StoreReader::streams() const {
  return impl_->database->guarded([&]() -> Result<std::vector<StreamInfo>> {
    std::vector<StreamInfo> found;
    Query rows = impl_->database->query(
        "SELECT id, meter, " NIGHTWATT_SOUND(NIGHTWATT_STREAM_SEAL) " FROM stream WHERE published = 1 ORDER BY id");
    for (; rows.step(); rows.must_be_sound(2, "what is told of a meter"))
      found.push_back({rows.integer(0), rows.text_or_none(1)});
    must_be_all_there(*impl_->database, Table::stream);
    return found;
  });
}

Result<std::optional<StreamId>> StoreReader::stream_of_meter(std::string_view meter) const {
  return impl_->database->guarded([&]() -> Result<std::optional<StreamId>> {
    Query row = impl_->database->query("SELECT id FROM stream WHERE meter = ?1");
    row.bind_text(1, meter);
    if (row.step()) return std::optional<StreamId>(row.integer(0));
    must_be_all_there(*impl_->database, Table::stream);
    return std::optional<StreamId>{};
  });
}

Result<Calendar> StoreReader::calendar(StreamId stream, UtcTime from, UtcTime to) const {
  return impl_->database->guarded([&]() -> Result<Calendar> {
    must_be_all_there(*impl_->database, Table::utc_offset, stream);
    Calendar calendar;
    Query rows = impl_->database->query(
        "SELECT from_us, shift_us, (SELECT amount FROM event WHERE kind = ?2 AND at_us = from_us), " NIGHTWATT_SOUND(
            NIGHTWATT_SHIFT_SEAL) " FROM shift WHERE stream = ?1 ORDER BY from_us");
    rows.bind(1, stream).bind(2, static_cast<std::int64_t>(EventKind::outage));
    while (rows.step()) {
      rows.must_be_sound(3, "how far the clock was off");
      const UtcTime begin{rows.integer(0)};
      const Duration utc_offset(rows.integer(1));
      const std::optional<double> outage_s = rows.real_or_none(2);
      const bool within = begin > from && begin <= to;
      if (within && !outage_s) must_be_all_there(*impl_->database, Table::event);
      if (within && outage_s) calendar.note_outage(begin - to_duration({*outage_s}), begin);
      if (within && !outage_s)
        calendar.correct(utc_offset);
      else
        calendar.add(begin, utc_offset);
    }
    return calendar;
  });
}

Result<Duration> StoreReader::utc_offset_at(StreamId stream, UtcTime time) const {
  return impl_->database->guarded([&]() -> Result<Duration> {
    Query row = impl_->database->query("SELECT shift_us, " NIGHTWATT_SOUND(
        NIGHTWATT_SHIFT_SEAL) " FROM shift WHERE stream = ?1 AND from_us <= ?2 ORDER BY from_us DESC LIMIT 1");
    row.bind(1, stream).bind(2, time.us);
    must_be_all_there(*impl_->database, Table::utc_offset, stream);
    if (!row.step()) return Duration{0};
    row.must_be_sound(1, "how far the clock was off");
    return Duration(row.integer(0));
  });
}

std::string_view event_kind_name(EventKind kind) {
  switch (kind) {
    case EventKind::service_started:
      return "service started";
    case EventKind::service_stopped:
      return "service stopped";
    case EventKind::killed:
      return "killed";
    case EventKind::port_lost:
      return "port lost";
    case EventKind::port_back:
      return "port back";
    case EventKind::clock_step:
      return "clock step";
    case EventKind::disk_full:
      return "disk full";
    case EventKind::disk_room:
      return "disk room";
    case EventKind::readings_lost:
      return "readings lost";
    case EventKind::config_reloaded:
      return "config reloaded";
    case EventKind::store_moved:
      return "store moved";
    case EventKind::outage:
      return "outage";
    case EventKind::store_damaged:
      return "store damaged";
  }
  return "unknown";
}

Result<std::vector<Event>> StoreReader::events(UtcTime from, UtcTime to) const {
  return impl_->database->guarded([&]() -> Result<std::vector<Event>> {
    std::vector<Event> found;
    must_be_all_there(*impl_->database, Table::event);
    Query rows = impl_->database->query("SELECT kind, at_us, meter, detail, amount, " NIGHTWATT_SOUND(
        NIGHTWATT_EVENT_SEAL) " FROM event WHERE at_us BETWEEN ?1 AND ?2 ORDER BY at_us, id");
    rows.bind(1, from.us).bind(2, to.us);
    for (; rows.step(); rows.must_be_sound(5, "an event"))
      found.push_back({static_cast<EventKind>(rows.integer(0)), UtcTime{rows.integer(1)}, rows.text_or_none(2),
                       rows.text(3), rows.real(4)});
    return found;
  });
}

Result<std::optional<std::string>> StoreReader::value(std::string_view name) const {
  return impl_->database->guarded([&]() -> Result<std::optional<std::string>> {
    Query row =
        impl_->database->query("SELECT bytes, " NIGHTWATT_SOUND(NIGHTWATT_VALUE_SEAL) " FROM value WHERE name = ?1");
    row.bind_text(1, name);
    // A value that is damaged is as good as none: the service finds out anew what it kept there.
    if (!row.step() || row.integer(1) == 0) return std::optional<std::string>{};
    return std::optional<std::string>(row.blob(0));
  });
}

}  // namespace nightwatt::storage
