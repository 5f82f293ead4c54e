// One SQLite connection with its statements, and the one place where SQLite's complaints become lines for a person.
#pragma once

#include <SQLiteCpp/Database.h>
#include <SQLiteCpp/Exception.h>
#include <SQLiteCpp/Statement.h>
#include <sqlite3.h>

#include <cstdint>
#include <map>
#include <memory>
#include <new>
#include <optional>
#include <stdexcept>
#include <string>
#include <string_view>
#include <utility>

#include "measure/signal/result.hpp"
#include "storage/store.hpp"

namespace nightwatt::storage {

/// What a row says is not what was put into it. Thrown where rows are read; ends in guarded().
class Damage : public std::runtime_error {
 public:
  using std::runtime_error::runtime_error;
};

/// A statement in use. Bind by ?1, ?2 ...; what it holds is given back when it goes out of scope.
class Query {
 public:
  Query(SQLite::Statement& shared, bool& busy) : statement_(&shared), busy_(&busy) { busy = true; }
  explicit Query(std::unique_ptr<SQLite::Statement> own) : own_(std::move(own)), statement_(own_.get()) {}
  Query(const Query&) = delete;
  Query& operator=(const Query&) = delete;
  ~Query();

  Query& bind(int place, std::int64_t value);
  Query& bind(int place, double value);
  Query& bind(int place, const std::optional<double>& value);
  Query& bind(int place, const std::optional<std::int64_t>& value);
  Query& bind_text(int place, std::string_view value);
  Query& bind_text(int place, const std::string& value) { return bind_text(place, std::string_view(value)); }
  Query& bind_text(int place, const std::optional<std::string>& value);
  /// The bytes must outlive the query.
  Query& bind_blob(int place, std::string_view value);
  Query& bind_null(int place);
  bool step() { return statement_->executeStep(); }
  void run() { statement_->exec(); }

  [[nodiscard]] bool null(int column) const;
  [[nodiscard]] std::int64_t integer(int column) const;
  [[nodiscard]] double real(int column) const;
  [[nodiscard]] std::string text(int column) const;
  [[nodiscard]] std::optional<std::string> text_or_none(int column) const;
  [[nodiscard]] std::optional<double> real_or_none(int column) const;
  [[nodiscard]] std::optional<std::int64_t> integer_or_none(int column) const;
  /// Throws Damage unless the column, a NIGHTWATT_SOUND, is true.
  void must_be_sound(int column, const char* what) const;
  /// Valid until the next step.
  [[nodiscard]] std::string_view blob(int column) const;

 private:
  std::unique_ptr<SQLite::Statement> own_;
  SQLite::Statement* statement_;
  bool* busy_ = nullptr;
};

class Database {
 public:
  /// Until the store's settings say otherwise.
  static constexpr int busy_timeout_ms = StoreSettings{}.busy_timeout_ms;

  /// Opens; throws SQLite::Exception.
  Database(std::string path, int flags);

  /// `sql` must be a literal: statements are kept by its address.
  [[nodiscard]] Query query(const char* sql);
  void execute(const char* sql) { connection_.exec(sql); }
  [[nodiscard]] std::int64_t pragma(const char* sql);
  [[nodiscard]] std::int64_t last_row_id() const { return connection_.getLastInsertRowid(); }
  [[nodiscard]] sqlite3* handle() const { return connection_.getHandle(); }
  [[nodiscard]] const std::string& path() const { return path_; }
  [[nodiscard]] bool in_transaction() const;

  /// The line for a person; remembers what kind of trouble it was.
  [[nodiscard]] Error explain(const SQLite::Exception& exception);
  [[nodiscard]] Error explain(const Damage& damage) const;
  [[nodiscard]] StoreTrouble trouble() const { return trouble_; }
  void set_trouble(StoreTrouble trouble) { trouble_ = trouble; }

  /// Runs `work`, which gives a Result; what SQLite throws becomes the Result's error.
  template <class Work>
  auto guarded(Work&& work) -> decltype(work()) {
    trouble_ = StoreTrouble::none;
    try {
      return work();
    } catch (const SQLite::Exception& exception) {
      return tl::unexpected<Error>(explain(exception));
    } catch (const Damage& damage) {
      return tl::unexpected<Error>(explain(damage));
    } catch (const std::bad_alloc&) {
      trouble_ = StoreTrouble::other;
      return tl::unexpected<Error>(Error{ErrorKind::unusable, path_ + ": not enough memory"});
    }
  }

 private:
  struct Kept {
    std::unique_ptr<SQLite::Statement> statement;
    bool busy = false;
  };
  std::string path_;
  SQLite::Database connection_;
  std::map<const char*, Kept> kept_;
  StoreTrouble trouble_ = StoreTrouble::none;
};

[[nodiscard]] inline tl::unexpected<Error> pass_on(const Error& error) {
  return tl::unexpected<Error>(error);
}

/// What to do about damage.
inline constexpr const char* to_mend = "`nightwatt salvage` brings all that is sound into a new store";

/// What SQLite's complaint about `path` means for a person.
[[nodiscard]] std::string explain_sqlite(const std::string& path, int code, int system_error, const char* message);
[[nodiscard]] StoreTrouble trouble_of(int code, int system_error);

}  // namespace nightwatt::storage
