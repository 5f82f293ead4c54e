// Rows of a store, out and in, with SQLite's own calls: the columns are what the table has.
#include "storage/rows.hpp"

#include <array>
#include <cstring>

#include "bytes.hpp"
#include "measure/signal/fnv1a.hpp"
#include "writer_impl.hpp"

namespace nightwatt::storage {
namespace {

constexpr std::array<std::string_view, 9> copied_tables = {"stream",    "mark",    "shift",  "run",  "run_word",
                                                           "run_state", "stretch", "sketch", "event"};
constexpr const char* visible_run = "(stream IS NULL OR stream IN (SELECT id FROM stream WHERE published = 1))";

/// What a row says of its place in this file: in another it is not so.
bool is_of_one_file(std::string_view column) {
  return column == "seal" || column == "newest_us";
}

class Print {
 public:
  void add(std::string_view bytes) {
    hash_.add(bytes);
    hash_.add_number(bytes.size());
  }
  [[nodiscard]] std::uint64_t value() const { return hash_.value(); }

 private:
  Fnv1a hash_;
};

class Rows {
 public:
  Rows(sqlite3* database, const std::string& sql) : database_(database) {
    if (sqlite3_prepare_v2(database, sql.c_str(), -1, &statement_, nullptr) != SQLITE_OK) complain();
  }
  ~Rows() { sqlite3_finalize(statement_); }
  Rows(const Rows&) = delete;
  Rows& operator=(const Rows&) = delete;

  void reset() { check(sqlite3_reset(statement_)); }
  void bind(int place, std::int64_t value) { check(sqlite3_bind_int64(statement_, place, value)); }
  void bind(int place, const Cell& cell) {
    if (const auto* whole = std::get_if<std::int64_t>(&cell))
      check(sqlite3_bind_int64(statement_, place, *whole));
    else if (const auto* real = std::get_if<double>(&cell))
      check(sqlite3_bind_double(statement_, place, *real));
    else if (const auto* text = std::get_if<std::string>(&cell))
      check(sqlite3_bind_text(statement_, place, text->data(), static_cast<int>(text->size()), SQLITE_STATIC));
    else if (const auto* blob = std::get_if<Blob>(&cell))
      check(sqlite3_bind_blob(statement_, place, blob->bytes.data(), static_cast<int>(blob->bytes.size()),
                              SQLITE_STATIC));
    else
      check(sqlite3_bind_null(statement_, place));
  }
  bool step() {
    const int done = sqlite3_step(statement_);
    if (done != SQLITE_ROW && done != SQLITE_DONE) complain();
    return done == SQLITE_ROW;
  }
  [[nodiscard]] std::int64_t integer(int column) const { return sqlite3_column_int64(statement_, column); }
  [[nodiscard]] std::string_view bytes(int column) const {
    const void* data = sqlite3_column_blob(statement_, column);
    return {static_cast<const char*>(data),
            data == nullptr ? 0U : static_cast<std::size_t>(sqlite3_column_bytes(statement_, column))};
  }
  [[nodiscard]] Row row(std::string_view table) const {
    Row row{std::string(table), {}};
    for (int i = 0; i < sqlite3_column_count(statement_); ++i)
      if (const char* name = sqlite3_column_name(statement_, i); !is_of_one_file(name))
        row.cells.emplace_back(name, cell(i));
    return row;
  }
  /// Of every column's type and bytes.
  void add_to(Print& print) const {
    for (int i = 0; i < sqlite3_column_count(statement_); ++i) {
      const int type = sqlite3_column_type(statement_, i);
      const char mark = static_cast<char>('0' + type);
      print.add({&mark, 1});
      print.add(bytes(i));
    }
  }

 private:
  [[nodiscard]] Cell cell(int column) const {
    switch (sqlite3_column_type(statement_, column)) {
      case SQLITE_INTEGER:
        return sqlite3_column_int64(statement_, column);
      case SQLITE_FLOAT:
        return sqlite3_column_double(statement_, column);
      case SQLITE_TEXT:
        return std::string(bytes(column));
      case SQLITE_BLOB:
        return Blob{std::string(bytes(column))};
      default:
        return std::monostate{};
    }
  }
  void check(int code) {
    if (code != SQLITE_OK) complain();
  }
  [[noreturn]] void complain() { throw SQLite::Exception(database_); }

  sqlite3* database_;
  sqlite3_stmt* statement_ = nullptr;
};

constexpr std::uint64_t longest_name = 64;  // of a table or column of ours; more is no row of ours

void put_text(std::string& out, std::string_view text) {
  put_varint(out, text.size());
  out.append(text);
}

void put_cell(std::string& out, const Cell& cell) {
  put_byte(out, static_cast<unsigned>(cell.index()));
  if (const auto* whole = std::get_if<std::int64_t>(&cell)) put_signed(out, *whole);
  if (const auto* real = std::get_if<double>(&cell)) {
    std::uint64_t bits = 0;
    std::memcpy(&bits, real, sizeof bits);
    for (unsigned shift = 0; shift < 64; shift += 8) put_byte(out, static_cast<unsigned>(bits >> shift));
  }
  if (const auto* text = std::get_if<std::string>(&cell)) put_text(out, *text);
  if (const auto* blob = std::get_if<Blob>(&cell)) put_text(out, blob->bytes);
}

Cell take_cell(ByteReader& in) {
  switch (in.byte()) {
    case 0:
      return std::monostate{};
    case 1:
      return in.signed_varint();
    case 2: {
      std::uint64_t bits = 0;
      for (unsigned shift = 0; shift < 64; shift += 8) bits |= std::uint64_t{in.byte()} << shift;
      double real = 0.0;
      std::memcpy(&real, &bits, sizeof real);
      return real;
    }
    case 3:
      return std::string(in.take(in.varint()));
    case 4:
      return Blob{std::string(in.take(in.varint()))};
    default:
      in.set_bad();
      return std::monostate{};
  }
}

bool plain_name(std::string_view name) {
  for (const char c : name)
    if (!((c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '_')) return false;
  return !name.empty() && name.size() <= longest_name;
}

bool is_copied(std::string_view table) {
  for (const std::string_view known : copied_tables)
    if (table == known) return true;
  return false;
}

void put_row(sqlite3* database, const Row& row) {
  std::string names, places;
  for (std::size_t i = 0; i < row.cells.size(); ++i) {
    if (is_of_one_file(row.cells[i].first)) continue;
    names += (names.empty() ? "" : ", ") + row.cells[i].first;
    places += (places.empty() ? "?" : ", ?") + std::to_string(i + 1);
  }
  Rows insert(database, "INSERT INTO " + row.table + " (" + names + ") VALUES (" + places + ")");
  for (std::size_t i = 0; i < row.cells.size(); ++i)
    if (!is_of_one_file(row.cells[i].first)) insert.bind(static_cast<int>(i + 1), row.cells[i].second);
  (void)insert.step();
}

}  // namespace

Cell* Row::find(std::string_view column) {
  for (auto& [name, cell] : cells)
    if (name == column) return &cell;
  return nullptr;
}

std::string packed_row(const Row& row) {
  std::string out;
  put_text(out, row.table);
  put_varint(out, row.cells.size());
  for (const auto& [name, cell] : row.cells) {
    put_text(out, name);
    put_cell(out, cell);
  }
  return out;
}

Result<Row> unpacked_row(std::string_view bytes) {
  ByteReader in(bytes);
  Row row;
  row.table = in.take(in.varint());
  const std::uint64_t count = in.varint();
  for (std::uint64_t i = 0; i < count && in.ok(); ++i) {
    std::string name(in.take(in.varint()));
    Cell cell = take_cell(in);
    if (!plain_name(name)) in.set_bad();
    row.cells.emplace_back(std::move(name), std::move(cell));
  }
  if (!in.ok() || !in.at_end() || !is_copied(row.table) || row.cells.empty())
    return fail(ErrorKind::input, "a row of the copy is damaged");
  return row;
}

Result<std::vector<RowCopy::RunPrint>> RowCopy::run_prints() const {
  auto& database = *store_->impl_->database;
  return database.guarded([&]() -> Result<std::vector<RunPrint>> {
    std::vector<RunPrint> prints;
    sqlite3* handle = database.handle();
    Rows run(handle, std::string("SELECT * FROM run WHERE ") + visible_run + " ORDER BY id");
    // The bytes of states, stretches and sketches are not read: their lengths and checksums are.
    Rows word(handle, "SELECT * FROM run_word WHERE run = ?1 ORDER BY place");
    Rows state(handle,
               "SELECT as_of_us, samples, length(segmenter), length(totals), crc FROM run_state WHERE run = ?1");
    Rows regime(handle, "SELECT place, count, length(bytes), crc FROM stretch WHERE run = ?1 ORDER BY place");
    Rows sketch(handle, "SELECT place, length(bytes), crc FROM sketch WHERE run = ?1 ORDER BY place");
    while (run.step()) {
      const RunId id = run.integer(0);
      Print print;
      run.add_to(print);
      for (Rows* part : {&word, &state, &regime, &sketch}) {
        part->reset();
        part->bind(1, id);
        while (part->step()) part->add_to(print);
        print.add("|");
      }
      prints.push_back({id, print.value()});
    }
    return prints;
  });
}

Result<std::vector<Row>> RowCopy::run(RunId id) const {
  auto& database = *store_->impl_->database;
  return database.guarded([&]() -> Result<std::vector<Row>> {
    std::vector<Row> rows;
    const auto take = [&](std::string_view table, std::string_view key) {
      Rows all(database.handle(), "SELECT * FROM " + std::string(table) + " WHERE " + std::string(key) + " = ?1");
      all.bind(1, id);
      while (all.step()) rows.push_back(all.row(table));
    };
    take("run", "id");
    for (const std::string_view table : {"run_word", "run_state", "stretch", "sketch"}) take(table, "run");
    return rows;
  });
}

Result<std::vector<Row>> RowCopy::marks_and_meters() const {
  auto& database = *store_->impl_->database;
  return database.guarded([&]() -> Result<std::vector<Row>> {
    std::vector<Row> rows;
    const auto take = [&](std::string_view table, const std::string& where) {
      Rows all(database.handle(), "SELECT * FROM " + std::string(table) + where);
      while (all.step()) rows.push_back(all.row(table));
    };
    take("stream", " WHERE published = 1 ORDER BY id");
    take("shift", " ORDER BY stream, from_us");
    take("mark", " ORDER BY id");
    return rows;
  });
}

Result<std::vector<std::pair<std::int64_t, Event>>> RowCopy::events_after(std::int64_t number, int most) const {
  auto& database = *store_->impl_->database;
  return database.guarded([&]() -> Result<std::vector<std::pair<std::int64_t, Event>>> {
    std::vector<std::pair<std::int64_t, Event>> events;
    Query rows =
        database.query("SELECT id, kind, at_us, meter, detail, amount FROM event WHERE id > ?1 ORDER BY id LIMIT ?2");
    rows.bind(1, number).bind(2, std::int64_t{most});
    while (rows.step()) {
      Event event;
      event.kind = static_cast<EventKind>(rows.integer(1));
      event.at = UtcTime{rows.integer(2)};
      event.meter = rows.text_or_none(3);
      event.detail = rows.text(4);
      event.amount = rows.real(5);
      events.emplace_back(rows.integer(0), std::move(event));
    }
    return events;
  });
}

Result<std::int64_t> RowCopy::identity() const {
  auto& database = *store_->impl_->database;
  return database.guarded([&]() -> Result<std::int64_t> {
    Query first = database.query("SELECT at_us FROM event ORDER BY id LIMIT 1");
    return first.step() ? first.integer(0) : 0;
  });
}

Result<void> RowCopy::put(StoreWriter& store, std::span<const Row> rows) {
  auto& impl = *store.impl_;
  return impl.change([&]() -> Result<void> {
    for (const Row& row : rows) {
      if (!is_copied(row.table)) return fail(ErrorKind::input, "a row of the copy is of no table of a store");
      put_row(impl.database->handle(), row);
    }
    impl.forget_cached();
    return {};
  });
}

}  // namespace nightwatt::storage
