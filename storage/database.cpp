#include "database.hpp"

#include "seal.hpp"

#include <cerrno>
#include <cstring>

namespace nightwatt::storage {
namespace {

// What SQLite says of a number in the file's header that it does not know; its code is a general one.
constexpr std::string_view bad_schema_format = "unsupported file format";

}  // namespace

Query::~Query() {
  // Unfinished statements hold a read transaction open.
  if (busy_ == nullptr) return;
  statement_->tryReset();
  *busy_ = false;
}

Query& Query::bind(int place, std::int64_t value) {
  statement_->bind(place, value);
  return *this;
}
Query& Query::bind(int place, double value) {
  statement_->bind(place, value);
  return *this;
}
Query& Query::bind(int place, const std::optional<double>& value) {
  return value ? bind(place, *value) : bind_null(place);
}
Query& Query::bind(int place, const std::optional<std::int64_t>& value) {
  return value ? bind(place, *value) : bind_null(place);
}
Query& Query::bind_text(int place, std::string_view value) {
  statement_->bind(place, std::string(value));
  return *this;
}
Query& Query::bind_text(int place, const std::optional<std::string>& value) {
  return value ? bind_text(place, std::string_view(*value)) : bind_null(place);
}
Query& Query::bind_blob(int place, std::string_view value) {
  statement_->bindNoCopy(place, value.data(), static_cast<int>(value.size()));
  return *this;
}
Query& Query::bind_null(int place) {
  statement_->bind(place);
  return *this;
}

bool Query::null(int column) const {
  return statement_->isColumnNull(column);
}
std::int64_t Query::integer(int column) const {
  return statement_->getColumn(column).getInt64();
}
double Query::real(int column) const {
  return statement_->getColumn(column).getDouble();
}
std::string Query::text(int column) const {
  return statement_->getColumn(column).getString();
}
std::optional<std::string> Query::text_or_none(int column) const {
  if (null(column)) return std::nullopt;
  return text(column);
}
std::optional<double> Query::real_or_none(int column) const {
  if (null(column)) return std::nullopt;
  return real(column);
}
std::optional<std::int64_t> Query::integer_or_none(int column) const {
  if (null(column)) return std::nullopt;
  return integer(column);
}
void Query::must_be_sound(int column, const char* what) const {
  if (integer(column) == 0) throw Damage(std::string(what) + " is damaged");
}
std::string_view Query::blob(int column) const {
  const SQLite::Column value = statement_->getColumn(column);
  const void* data = value.getBlob();
  if (data == nullptr) return {};
  return {static_cast<const char*>(data), static_cast<std::size_t>(value.getBytes())};
}

Database::Database(std::string path, int flags) : path_(std::move(path)), connection_(path_, flags, busy_timeout_ms) {
  sqlite3_extended_result_codes(connection_.getHandle(), 1);
  // A connection without it, for want of memory, could never write.
  if (const int code = add_row_seal(connection_.getHandle()); code != SQLITE_OK)
    throw SQLite::Exception(connection_.getHandle(), code);
}

Query Database::query(const char* sql) {
  Kept& kept = kept_[sql];
  if (kept.busy) return Query(std::make_unique<SQLite::Statement>(connection_, sql));
  if (!kept.statement) kept.statement = std::make_unique<SQLite::Statement>(connection_, sql);
  kept.statement->clearBindings();
  return Query(*kept.statement, kept.busy);
}

std::int64_t Database::pragma(const char* sql) {
  SQLite::Statement statement(connection_, sql);
  return statement.executeStep() ? statement.getColumn(0).getInt64() : 0;
}

bool Database::in_transaction() const {
  return sqlite3_get_autocommit(handle()) == 0;
}

Error Database::explain(const SQLite::Exception& exception) {
  const int system_error = sqlite3_system_errno(handle());
  const int code = exception.getExtendedErrorCode() > 0 ? exception.getExtendedErrorCode() : exception.getErrorCode();
  trouble_ =
      std::string_view(exception.what()) == bad_schema_format ? StoreTrouble::damaged : trouble_of(code, system_error);
  return {ErrorKind::unusable, explain_sqlite(path_, code, system_error, exception.what())};
}

Error Database::explain(const Damage& damage) const {
  return {ErrorKind::unusable, path_ + ": " + damage.what() + "; " + to_mend};
}

StoreTrouble trouble_of(int code, int system_error) {
  const int kind = code & 0xFF;
  if (kind == SQLITE_FULL) return StoreTrouble::no_room;
  if (code == SQLITE_IOERR_SHMSIZE) return StoreTrouble::no_room;
  if ((kind == SQLITE_IOERR || kind == SQLITE_CANTOPEN) && (system_error == ENOSPC || system_error == EDQUOT))
    return StoreTrouble::no_room;
  if (kind == SQLITE_CORRUPT || kind == SQLITE_NOTADB) return StoreTrouble::damaged;
  return kind == SQLITE_BUSY || kind == SQLITE_LOCKED ? StoreTrouble::locked : StoreTrouble::other;
}

std::string explain_sqlite(const std::string& path, int code, int system_error, const char* message) {
  if (trouble_of(code, system_error) == StoreTrouble::no_room) return path + ": the disk is full; make room";
  switch (code & 0xFF) {
    case SQLITE_NOTADB:
      return path +
             ": not a nightwatt store (not a database), or one whose beginning is damaged; give the path of a store, "
             "or "
             "see nightwatt salvage";
    case SQLITE_CORRUPT:
      return path + ": the store is damaged or cut short; " + to_mend;
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
      return path + ": another program keeps the store locked; try again when it is done";
    case SQLITE_READONLY:
      return path + ": the store may not be written; check the permissions of the file and its folder";
    case SQLITE_CANTOPEN:
    case SQLITE_PERM:
    case SQLITE_AUTH:
      return path + ": cannot open the store" +
             (system_error != 0 ? std::string(": ") + std::strerror(system_error) : std::string()) +
             "; check the path and its permissions";
    case SQLITE_IOERR:
      return path + ": reading or writing the store failed" +
             (system_error != 0 ? std::string(": ") + std::strerror(system_error) : std::string()) + "; check the disk";
    case SQLITE_NOMEM:
      return path + ": not enough memory";
    default:
      if (std::string_view(message) == bad_schema_format)
        return path + ": the beginning of the store is damaged; " + to_mend;
      return path + ": the store could not be used: " + message;
  }
}

}  // namespace nightwatt::storage
