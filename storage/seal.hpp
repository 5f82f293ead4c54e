// A checksum over a whole row, so that a changed bit anywhere in it is found by who asks, and a lone row proves itself.
#pragma once

#include <sqlite3.h>

#include <cstdint>
#include <string>
#include <string_view>

namespace nightwatt::storage {

/// The bytes whose CRC-32 is a row's seal: the table's name and its values, each with its type before it.
class SealBytes {
 public:
  explicit SealBytes(std::string_view table) { put_text(table); }
  void put_null() { bytes_.push_back('\0'); }
  void put_integer(std::int64_t value);
  void put_real(double value);
  void put_text(std::string_view value);
  void put_blob(std::string_view value);
  [[nodiscard]] std::int64_t seal() const;

 private:
  void put_sized(char type, std::string_view value);
  void put_bits(char type, std::uint64_t bits);
  std::string bytes_;
};

/// Gives the connection the SQL function row_seal(table, value...).
[[nodiscard]] int add_row_seal(sqlite3* connection);

// What is sealed of each table, in SQL. Not `seal` itself, and no numbers that only name a row and are asked for by
// nobody else.
#define NIGHTWATT_STREAM_SEAL "row_seal('stream', id, meter, published, newest_us)"
#define NIGHTWATT_BLOCK_SEAL "row_seal('block', stream, first_us, last_us, count, data, before_us, carried)"
#define NIGHTWATT_SUMS_SEAL                                                                                  \
  "row_seal('sums', stream, quantity, block_us, count, first_us, last_us, first, last, min, max, mean, m2, " \
  "energy_wh, "                                                                                              \
  "gap_us, before_us)"
#define NIGHTWATT_ROLLUP_SEAL "row_seal('rollup', stream, block_us, step_s, bytes)"
#define NIGHTWATT_RUN_SEAL                                                                                            \
  "row_seal('run', run.id, run.stream, device, origin, begin_us, end_us, pinned, samples, note, shortest_segment_s, " \
  "resolution_w, starting_w, accuracy_percent, accuracy_floor_w, accuracy_class, energy_step_wh, "                    \
  "energy_accuracy_percent, energy_accuracy_floor_wh, energy_accuracy_class, entered_idle_w, entered_load_w)"
#define NIGHTWATT_RUN_WORD_SEAL "row_seal('run_word', run, place, key, value)"
#define NIGHTWATT_RUN_STATE_SEAL \
  "row_seal('run_state', run, as_of_us, samples, step_w, median_interval_s, segmenter, totals)"
#define NIGHTWATT_STRETCH_SEAL "row_seal('stretch', run, place, count, bytes)"
#define NIGHTWATT_SKETCH_SEAL "row_seal('sketch', run, place, bytes)"
#define NIGHTWATT_MARK_SEAL "row_seal('mark', run, meter, at_us, text, kind)"
#define NIGHTWATT_EVENT_SEAL "row_seal('event', kind, at_us, meter, detail, amount)"
#define NIGHTWATT_SHIFT_SEAL "row_seal('shift', stream, from_us, shift_us)"
#define NIGHTWATT_VALUE_SEAL "row_seal('value', name, bytes)"
/// True also of a row that a program which knew no seals wrote.
#define NIGHTWATT_SOUND(seal_of_table) "(seal IS NULL OR seal = " seal_of_table ")"

}  // namespace nightwatt::storage
