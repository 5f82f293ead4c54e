#include "mirror/fetched_store.hpp"

#include <algorithm>
#include <charconv>
#include <cstdlib>
#include <filesystem>
#include <limits>
#include <map>
#include <optional>
#include <utility>

#include "schema.hpp"
#include "server.hpp"
#include "storage/rows.hpp"
#include "storage/store.hpp"

namespace nightwatt::mirror {
namespace {

namespace fs = std::filesystem;
using storage::Row;

constexpr std::size_t readings_a_transaction = 20'000;
constexpr int kinds_of_event = 32;  // more than there are

std::int64_t number_of(const Value& value) {
  std::int64_t number = 0;
  if (value) std::from_chars(value->data(), value->data() + value->size(), number);
  return number;
}

std::optional<storage::EventKind> event_kind(const std::string& name) {
  for (int kind = 0; kind < kinds_of_event; ++kind)
    if (storage::event_kind_name(static_cast<storage::EventKind>(kind)) == name)
      return static_cast<storage::EventKind>(kind);
  return std::nullopt;
}

std::int64_t* whole(Row& row, std::string_view column) {
  storage::Cell* cell = row.find(column);
  return cell == nullptr ? nullptr : std::get_if<std::int64_t>(cell);
}

/// A stream, run or mark of a rig, and its number in the store that is made.
using Numbers = std::map<std::pair<std::int64_t, std::int64_t>, std::int64_t>;

constexpr const char* microseconds = "(extract(epoch FROM at) * 1000000)::bigint";

}  // namespace

class FetchedStore::Impl {
 public:
  Impl(std::string folder, storage::StoreWriter store, Server server)
      : folder_(std::move(folder)), store_(std::move(store)), server_(std::move(server)) {}
  ~Impl() {
    std::error_code ignored;
    fs::remove_all(folder_, ignored);
  }
  Impl(const Impl&) = delete;
  Impl& operator=(const Impl&) = delete;

  Result<void> fetch() {
    // One moment of the server, for all that is asked.
    if (auto begun = server_.run("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"); !begun) return begun;
    if (auto named = fetch_names(); !named) return named;
    if (auto begun = store_.begin(); !begun) return begun;
    Result<void> done = fetch_notes();
    if (done) done = fetch_runs();
    if (done) done = fetch_events();
    if (done) return store_.commit();
    store_.rollback();
    return done;
  }

  /// One span a stream, since times rise within it: whatever lies between two runs comes along.
  Result<void> fetch_readings(const std::vector<std::int64_t>& runs) {
    const auto infos = store_.reader().runs();
    if (!infos) return tl::unexpected(infos.error());
    std::map<std::int64_t, std::pair<std::int64_t, std::int64_t>> spans;
    for (const storage::RunInfo& info : *infos) {
      const bool wanted = std::find(runs.begin(), runs.end(), info.id) != runs.end();
      if (info.stream == 0 || (info.end && !wanted)) continue;
      const auto state = states_.find(info.id);
      const std::int64_t begin = wanted || state == states_.end() ? info.begin.us : state->second;
      const std::int64_t end = info.end ? info.end->us : std::numeric_limits<std::int64_t>::max();
      const auto [span, is_new] = spans.try_emplace(info.stream, begin, end);
      if (is_new) continue;
      span->second.first = std::min(span->second.first, begin);
      span->second.second = std::max(span->second.second, end);
    }
    for (const auto& [stream, span] : spans)
      if (auto done = fetch_span(stream, span.first, span.second); !done) return done;
    return {};
  }

  [[nodiscard]] std::string path() const { return folder_ + "/mirror.db"; }

 private:
  Result<void> fetch_names() {
    const auto rigs = server_.ask("SELECT id, name FROM nightwatt.rig");
    if (!rigs) return tl::unexpected(rigs.error());
    for (const Texts& rig : *rigs) rig_names_[number_of(rig[0])] = rig[1].value_or("");
    const auto runs = server_.ask("SELECT rig, run, number FROM nightwatt.run");
    if (!runs) return tl::unexpected(runs.error());
    for (const Texts& run : *runs) runs_[{number_of(run[0]), number_of(run[1])}] = number_of(run[2]);
    return {};
  }

  Result<Row> row_of(const Value& text) {
    const auto bytes = from_bytea(text.value_or(""));
    if (!bytes) return tl::unexpected(bytes.error());
    return storage::unpacked_row(*bytes);
  }

  /// `rig/meter`, so that two rigs may call theirs alike.
  void name_meter(std::int64_t rig, Row& row) {
    storage::Cell* meter = row.find("meter");
    if (meter != nullptr)
      if (auto* name = std::get_if<std::string>(meter)) *name = rig_names_[rig] + "/" + *name;
  }

  Result<void> put(Row row) { return storage::RowCopy::put(store_, {&row, 1}); }

  /// Puts the rows of `question` (rig, bytes) for which `renumbered(rig, row)` is true.
  template <class Renumbered>
  Result<void> fetch(const char* question, Renumbered&& renumbered) {
    const auto rows = server_.ask(question);
    if (!rows) return tl::unexpected(rows.error());
    for (const Texts& each : *rows) {
      auto row = row_of(each[1]);
      if (!row) return tl::unexpected(row.error());
      if (!renumbered(number_of(each[0]), *row)) continue;
      if (auto done = put(std::move(*row)); !done) return done;
    }
    return {};
  }

  Result<void> fetch_notes() {
    return fetch("SELECT rig, bytes FROM nightwatt.note_row ORDER BY rig, place",
                 [&](std::int64_t rig, Row& row) { return renumber_note(rig, row); });
  }

  /// False: it belongs to what is not here.
  bool renumber_note(std::int64_t rig, Row& row) {
    if (row.table == "stream") {
      std::int64_t* id = whole(row, "id");
      if (id == nullptr) return false;
      const std::int64_t own = static_cast<std::int64_t>(streams_.size()) + 1;
      streams_[{rig, *id}] = own;
      origins_[own] = {rig, *id};
      *id = own;
      storage::Cell* meter = row.find("meter");
      if (meter != nullptr && std::holds_alternative<std::string>(*meter))
        meters_[rig].push_back(std::get<std::string>(*meter));
      name_meter(rig, row);
      return true;
    }
    if (row.table == "shift") return renumber(row, "stream", streams_, rig);
    if (row.table != "mark") return false;
    if (std::int64_t* id = whole(row, "id")) *id = ++marks_;
    name_meter(rig, row);
    return whole(row, "run") == nullptr || renumber(row, "run", runs_, rig);
  }

  static bool renumber(Row& row, std::string_view column, const Numbers& numbers, std::int64_t rig) {
    std::int64_t* number = whole(row, column);
    if (number == nullptr) return false;
    const auto found = numbers.find({rig, *number});
    if (found == numbers.end()) return false;
    *number = found->second;
    return true;
  }

  Result<void> fetch_runs() {
    return fetch("SELECT rig, bytes FROM nightwatt.run_row ORDER BY rig, run, place", [&](std::int64_t rig, Row& row) {
      if (!renumber(row, row.table == "run" ? "id" : "run", runs_, rig)) return false;
      if (row.table == "run" && whole(row, "stream") != nullptr && !renumber(row, "stream", streams_, rig))
        return false;
      if (row.table == "run_state") note_open(row);
      return true;
    });
  }

  /// An open run's figures are those of its state and of the readings behind it.
  void note_open(Row& state) {
    const std::int64_t* run = whole(state, "run");
    const std::int64_t* as_of = whole(state, "as_of_us");
    if (run != nullptr && as_of != nullptr) states_[*run] = *as_of;
  }

  /// What the machine told of itself counts for each of its meters here, and for no other rig's.
  Result<void> fetch_events() {
    const auto rows = server_.ask("SELECT rig, kind, " + std::string(microseconds) +
                                  ", meter, detail, amount FROM nightwatt.event ORDER BY at, rig, event");
    if (!rows) return tl::unexpected(rows.error());
    for (const Texts& each : *rows) {
      const std::int64_t rig = number_of(each[0]);
      storage::Event event;
      const auto kind = event_kind(each[1].value_or(""));
      if (!kind) continue;
      event.kind = *kind;
      event.at = UtcTime{number_of(each[2])};
      event.detail = each[4].value_or("");
      event.amount = std::strtod(each[5].value_or("0").c_str(), nullptr);
      const std::vector<std::string> meters = each[3] ? std::vector<std::string>{*each[3]} : meters_[rig];
      for (const std::string& meter : meters) {
        event.meter = rig_names_[rig] + "/" + meter;
        if (auto done = store_.apply(event); !done) return done;
      }
    }
    return {};
  }

  Result<void> fetch_span(std::int64_t stream, std::int64_t from_us, std::int64_t to_us) {
    if (auto begun = store_.begin(); !begun) return begun;
    auto done = append_span(stream, from_us, to_us);
    if (done) return store_.commit();
    store_.rollback();
    return done;
  }

  Result<void> append_span(std::int64_t stream, std::int64_t from_us, std::int64_t to_us) {
    const auto [rig, on_rig] = origins_[stream];
    std::int64_t next = from_us;
    for (;;) {
      const auto rows = server_.ask(
          "SELECT (extract(epoch FROM at) * 1000000)::bigint, power_w, voltage_v, current_a, power_factor, "
          "frequency_hz, "
          "energy_wh, energy_export_wh, apparent_va, reactive_var FROM nightwatt.reading WHERE rig = $1 AND stream = "
          "$2 AND "
          "at >= 'epoch'::timestamptz + $3::bigint * interval '1 microsecond' AND at <= CASE WHEN $4::bigint = 0 THEN "
          "'infinity' ELSE "
          "'epoch'::timestamptz + $4::bigint * interval '1 microsecond' END ORDER BY at LIMIT " +
              std::to_string(readings_a_transaction),
          {std::to_string(rig), std::to_string(on_rig), std::to_string(next),
           to_us == std::numeric_limits<std::int64_t>::max() ? "0" : std::to_string(to_us)});
      if (!rows) return tl::unexpected(rows.error());
      std::vector<Reading> readings;
      for (const Texts& row : *rows) readings.push_back(reading_of(row));
      if (readings.empty()) return {};
      if (auto done = store_.apply(storage::AppendReadings{stream, readings}); !done) return done;
      next = readings.back().time.us + 1;
    }
  }

  static Reading reading_of(const Texts& row) {
    Reading reading;
    reading.time = UtcTime{number_of(row[0])};
    for (std::size_t i = 0; i < all_quantities.size(); ++i)
      if (row[i + 1])
        if (const auto value = Decimal::parse(*row[i + 1])) reading.values.set(all_quantities[i], *value);
    return reading;
  }

  std::string folder_;
  storage::StoreWriter store_;
  Server server_;
  std::map<std::int64_t, std::string> rig_names_;
  std::map<std::int64_t, std::vector<std::string>> meters_;
  Numbers streams_, runs_;
  std::map<std::int64_t, std::pair<std::int64_t, std::int64_t>> origins_;  ///< of a stream: rig and its number there
  std::map<std::int64_t, std::int64_t> states_;                            ///< of a run: its last reading counted
  std::int64_t marks_ = 0;
};

FetchedStore::FetchedStore(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}
FetchedStore::FetchedStore(FetchedStore&&) noexcept = default;
FetchedStore::~FetchedStore() = default;

Result<FetchedStore> FetchedStore::fetch(const std::string& conninfo) {
  static Cancellation cancellation;  // a command has all the time that its user has
  auto server = Server::connect(conninfo, cancellation);
  if (!server) return tl::unexpected(server.error());
  if (auto ready = check_schema(*server); !ready) return tl::unexpected(ready.error());
  std::string folder = (fs::temp_directory_path() / "nightwatt-mirror-XXXXXX").string();
  if (::mkdtemp(folder.data()) == nullptr)
    return fail(ErrorKind::unusable, "no temporary folder could be made in " + fs::temp_directory_path().string());
  auto store = storage::StoreWriter::open(folder + "/mirror.db", {});
  if (!store) {
    std::error_code ignored;
    fs::remove_all(folder, ignored);
    return tl::unexpected(store.error());
  }
  auto impl = std::make_unique<Impl>(folder, std::move(*store), std::move(*server));
  if (auto done = impl->fetch(); !done) return tl::unexpected(done.error());
  return FetchedStore(std::move(impl));
}

Result<void> FetchedStore::fetch_readings(const std::vector<std::int64_t>& runs) {
  return impl_->fetch_readings(runs);
}

std::string FetchedStore::path() const {
  return impl_->path();
}

}  // namespace nightwatt::mirror
