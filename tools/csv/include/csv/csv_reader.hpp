// Reads a CSV of readings as any program may have written it, a batch at a time, and refuses what is not one.
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/reading.hpp"
#include "measure/signal/result.hpp"

namespace nightwatt::csv {

/// The longest record accepted, its end not counted. A reading takes about 200 bytes; a table of some hundred columns,
/// and notes in quotes, some thousands.
inline constexpr std::size_t line_limit = std::size_t{64} << 10;
/// Times from 1970 up to here, 2200-01-01T00:00:00Z, not included: later ones are milliseconds taken for seconds.
inline constexpr UtcTime time_limit{7'258'118'400'000'000};

/// Puts the bytes from a place of the file on into the buffer and says how many; 0 at the end.
using ReadAt = std::function<Result<std::size_t>(std::uint64_t, std::span<char>)>;

/// What a person says of the file, as words of the command line; what is not said is found out.
struct FileOptions {
  std::optional<double> missing_below_w;  ///< power below this is the meter's drop-out code: missing
  std::optional<std::string> time;        ///< a column by its name or its number from 1; two with `+` between
  std::optional<std::string> power;
  std::optional<std::string> unit;         ///< mW, W, kW
  std::optional<std::string> delimiter;    ///< a character, or `tab`
  std::optional<std::string> decimal;      ///< `.` or `,`
  std::optional<std::string> date_format;  ///< see time_form_from()
  std::optional<std::string> zone;         ///< of times without an offset
  bool spread = false;                     ///< stamps are coarser than the readings: a reader before found that
};

/// RFC 4180 and what programs make of it. First find_form() looks at the file's beginning, further where that does not
/// decide; then next() goes through it, once, with one buffer, in one thread. `#` lines are comments; an empty cell is
/// a value the meter did not give. A file that runs backwards is read backwards. Every error is of kind input, one
/// line, `name:line: what; what to do`; after an error the reader is of no more use.
class CsvReader {
 public:
  CsvReader(std::string name, ReadAt source, FileOptions options);
  ~CsvReader();
  CsvReader(CsvReader&& other) noexcept;
  CsvReader& operator=(CsvReader&& other) noexcept;

  /// How the file is written. Call once, first. Refused where there are two ways to read it.
  [[nodiscard]] Result<void> find_form();
  /// For people, after find_form(): `time = "Timestamp" (day first, local time), power = "Power" in W, ';'`. Empty for
  /// the form that export writes, in which nothing is left to find out.
  [[nodiscard]] std::string read_as() const;

  /// The next readings, `most` at most, in place of what `batch` held; empty at the end of the file. Times rise, across
  /// batches too.
  [[nodiscard]] Result<void> next(std::vector<Reading>& batch, std::size_t most);
  /// next() failed because stamps are coarser than readings: read the file again with `spread`.
  [[nodiscard]] bool found_coarse_stamps() const;

  [[nodiscard]] std::uint64_t duplicates() const;  ///< lines that say again what the one before said
  [[nodiscard]] std::uint64_t missing() const;     ///< lines that give a time and no value
  [[nodiscard]] std::uint64_t spread() const;      ///< readings whose time was moved on from their stamp
  /// Values with more decimals than a reading takes, rounded; and the line of the first of them.
  [[nodiscard]] std::uint64_t rounded() const;
  [[nodiscard]] std::uint64_t first_rounded() const;
  [[nodiscard]] std::uint64_t lines() const;
  [[nodiscard]] std::uint64_t bytes() const;  ///< gone through so far

 private:
  class Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace nightwatt::csv
