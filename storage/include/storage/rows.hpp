// Rows of a store as they lie in its tables, for programs that keep a copy elsewhere and make a store of it again.
//
// What a run is made of is carried whole and unread, so that the figures of a copy are made by the same code from the
// same bytes. Readings are not among it: StoreReader::readings() and AppendReadings carry them.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <string_view>
#include <utility>
#include <variant>
#include <vector>

#include "measure/signal/result.hpp"
#include "storage/store.hpp"

namespace nightwatt::storage {

struct Blob {
  std::string bytes;
  friend bool operator==(const Blob&, const Blob&) = default;
};
/// SQLite's own kinds of value; none is NULL.
using Cell = std::variant<std::monostate, std::int64_t, double, std::string, Blob>;

struct Row {
  std::string table;
  std::vector<std::pair<std::string, Cell>> cells;
  [[nodiscard]] Cell* find(std::string_view column);
  friend bool operator==(const Row&, const Row&) = default;
};

/// Bytes that read back as the same row; the form is in docs/many-rigs.md.
[[nodiscard]] std::string packed_row(const Row& row);
/// ErrorKind::input where the bytes are damaged.
[[nodiscard]] Result<Row> unpacked_row(std::string_view bytes);

/// Copies rows between a store and somebody who keeps them. Refers to the store; one thread.
class RowCopy {
 public:
  explicit RowCopy(const StoreReader& store) : store_(&store) {}

  struct RunPrint {
    RunId run = 0;
    std::uint64_t print = 0;
  };
  /// A fingerprint of every run that is not hidden: a number that changes, but for a chance of 2^-64, when anything of
  /// the run does.
  [[nodiscard]] Result<std::vector<RunPrint>> run_prints() const;
  /// The rows of the run itself, its words, its state, its stretches and their sketches.
  [[nodiscard]] Result<std::vector<Row>> run(RunId id) const;
  /// All streams that are not hidden, marks and shifts.
  [[nodiscard]] Result<std::vector<Row>> marks_and_meters() const;
  /// Events with numbers above `number`, in their order, at most `most`.
  [[nodiscard]] Result<std::vector<std::pair<std::int64_t, Event>>> events_after(std::int64_t number, int most) const;
  /// Tells one store from another that is made later at the same path: the instant of its first event, or 0.
  [[nodiscard]] Result<std::int64_t> identity() const;

  /// Puts rows into a store, between its begin() and commit().
  [[nodiscard]] static Result<void> put(StoreWriter& store, std::span<const Row> rows);

 private:
  const StoreReader* store_;
};

}  // namespace nightwatt::storage
