#include "storage/run_edit.hpp"

#include <algorithm>
#include <array>
#include <charconv>

#include "impl.hpp"
#include "seal.hpp"

namespace nightwatt::storage {
namespace {

/// The way to the database of a store that is handed in; nothing else of it is used.
struct Inside : StoreReader {
  using Impl = StoreReader::Impl;
  static Impl& of(const StoreReader& store) { return *(store.*(&Inside::impl_)); }
};

void put_word(Database& database, RunId run, std::int64_t place, const std::optional<std::string>& key,
              std::string_view value) {
  Query word = database.query("INSERT INTO run_word (run, place, key, value) VALUES (?1, ?2, ?3, ?4)");
  word.bind(1, run).bind(2, place).bind_text(3, key).bind_text(4, value).run();
}

std::int64_t next_place(Database& database, RunId run) {
  Query last = database.query("SELECT coalesce(max(place) + 1, 0) FROM run_word WHERE run = ?1");
  last.bind(1, run);
  return last.step() ? last.integer(0) : 0;
}

/// What nobody said of the first run and somebody said of the second is said of both.
Result<void> inherit(StoreWriter& store, const RunInfo& first, const RunInfo& second) {
  if (!first.device && second.device)
    if (auto named = store.set_device(first.id, *second.device); !named) return named;
  if (!first.pinned && second.pinned)
    if (auto pinned = store.set_pinned(first.id, true); !pinned) return pinned;
  RunWords words{first.note, first.includes, first.conditions};
  if (words.note.empty()) words.note = second.note;
  if (words.includes.empty()) words.includes = second.includes;
  for (const auto& condition : second.conditions)
    if (std::none_of(words.conditions.begin(), words.conditions.end(),
                     [&](const auto& one) { return one.first == condition.first; }))
      words.conditions.push_back(condition);
  return set_words(store, first.id, words);
}

}  // namespace

Result<std::optional<double>> entered_standby_w(const StoreReader& store, RunId id) {
  Database& database = *Inside::of(store).database;
  return database.guarded([&]() -> Result<std::optional<double>> {
    Query row = database.query(
        "SELECT value, " NIGHTWATT_SOUND(NIGHTWATT_RUN_WORD_SEAL) " FROM run_word WHERE run = ?1 AND key = ?2");
    row.bind(1, id).bind_text(2, entered_standby_key);
    if (!row.step()) return std::optional<double>();
    row.must_be_sound(1, "a figure entered by hand");
    const std::string digits = row.text(0);
    double watts = 0.0;
    const auto read = std::from_chars(digits.data(), digits.data() + digits.size(), watts);
    return read.ec == std::errc() ? std::optional<double>(watts) : std::nullopt;
  });
}

Result<void> put_entered_standby(StoreWriter& store, RunId id, double watts) {
  Inside::Impl& inside = Inside::of(store);
  if (auto begun = inside.need_transaction(); !begun) return begun;
  return inside.write([&]() -> Result<void> {
    std::array<char, 32> digits{};  // the shortest text that reads back as the same number has 24 characters at most
    const auto written = std::to_chars(digits.data(), digits.data() + digits.size(), watts);
    put_word(*inside.database, id, next_place(*inside.database, id), std::string(entered_standby_key),
             std::string_view(digits.data(), static_cast<std::size_t>(written.ptr - digits.data())));
    inside.seal_run(id);
    return {};
  });
}

Result<void> set_words(StoreWriter& store, RunId id, const RunWords& words) {
  Inside::Impl& inside = Inside::of(store);
  if (auto begun = inside.need_transaction(); !begun) return begun;
  return inside.write([&]() -> Result<void> {
    Database& database = *inside.database;
    Query clear = database.query("DELETE FROM run_word WHERE run = ?1 AND (key IS NULL OR key NOT LIKE '.%')");
    clear.bind(1, id).run();
    std::int64_t place = next_place(database, id);
    for (const std::string& item : words.includes) put_word(database, id, place++, std::nullopt, item);
    for (const auto& [key, value] : words.conditions)
      if (!key.starts_with('.')) put_word(database, id, place++, key, value);
    Query update = database.query("UPDATE run SET note = ?2 WHERE id = ?1");
    update.bind(1, id).bind_text(2, words.note);
    return inside.update_run(id, update);
  });
}

Result<void> take_into(StoreWriter& store, const RunInfo& first, RunId second, std::optional<UtcTime> end) {
  const Result<std::vector<Mark>> marks = store.marks(second);
  if (!marks) return tl::unexpected(marks.error());
  const Result<RunInfo> info = store.run(second);
  if (!info) return tl::unexpected(info.error());
  if (auto inherited = inherit(store, first, *info); !inherited) return inherited;
  if (auto cleared = store.clear_run_state(first.id); !cleared) return cleared;
  if (auto forgotten = store.forget(second); !forgotten) return forgotten;
  for (Mark mark : *marks) {
    if (mark.run != second) continue;  // a meter's mark stays where it is
    mark.run = first.id;
    if (auto put = store.put_mark(mark); !put) return put;
  }
  return store.set_run_span(first.id, first.begin, end);
}

Result<void> remove_mark(StoreWriter& store, std::int64_t id) {
  Inside::Impl& inside = Inside::of(store);
  if (auto begun = inside.need_transaction(); !begun) return begun;
  return inside.write([&]() -> Result<void> {
    Query remove = inside.database->query("DELETE FROM mark WHERE id = ?1");
    remove.bind(1, id).run();
    return {};
  });
}

}  // namespace nightwatt::storage
