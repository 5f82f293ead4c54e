// Reads a CSV of readings from a stream of bytes, a batch at a time, and refuses what is not one.
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "measure/reading.hpp"
#include "measure/result.hpp"

namespace nightwatt::csv {

/// The longest line accepted, its end not counted. A reading of all columns takes about 200 bytes; the rest is for
/// comments.
inline constexpr std::size_t line_limit = 4096;
/// Times from 1970 up to here, 2200-01-01T00:00:00Z, not included: later ones are milliseconds taken for seconds.
inline constexpr UtcTime time_limit{7'258'118'400'000'000};

/// Puts the next bytes of the file into the buffer and says how many; 0 at the end.
using Source = std::function<Result<std::size_t>(std::span<char>)>;

/// The form is the outside contract's: header first (`time` and `power_w`, then any other column of a reading), `#`
/// lines are comments, an empty cell is a value the meter did not give. One pass, one buffer, one thread. Every error
/// is of kind input, one line, `name:line: what; what to do`; after an error the reader is of no more use.
class CsvReader {
 public:
  struct Settings {
    std::optional<double> missing_below_w;  ///< power below this is the meter's drop-out code: missing
  };

  CsvReader(std::string name, Source source, Settings settings);

  /// Comments and the header. Call once, first.
  [[nodiscard]] Result<void> read_header();

  /// The next readings, `most` at most, in place of what `batch` held; empty at the end of the file. Times rise, across
  /// batches too.
  [[nodiscard]] Result<void> next(std::vector<Reading>& batch, std::size_t most);

  [[nodiscard]] std::uint64_t duplicates() const { return duplicates_; }  ///< lines of a time already read
  [[nodiscard]] std::uint64_t missing() const { return missing_; }        ///< lines that give a time and no value
  /// Values with more decimals than a reading takes, rounded; and the line of the first of them.
  [[nodiscard]] std::uint64_t rounded() const { return rounded_; }
  [[nodiscard]] std::uint64_t first_rounded() const { return first_rounded_; }
  [[nodiscard]] std::uint64_t lines() const { return line_number_; }
  [[nodiscard]] std::uint64_t bytes() const { return bytes_; }  ///< taken from the source so far

 private:
  [[nodiscard]] Result<std::optional<std::string_view>> next_line();
  [[nodiscard]] Result<void> refill();
  [[nodiscard]] Result<void> take_header(std::string_view line);
  [[nodiscard]] Result<bool> take_row(std::string_view line, Reading& reading);
  [[nodiscard]] Result<UtcTime> take_time(std::string_view cell) const;
  [[nodiscard]] tl::unexpected<Error> refuse(const std::string& what) const;
  [[nodiscard]] tl::unexpected<Error> refuse_cell(std::string_view column, std::string_view cell) const;
  [[nodiscard]] tl::unexpected<Error> refuse_length(std::string_view line) const;
  [[nodiscard]] tl::unexpected<Error> refuse_order(UtcTime time, std::string_view row) const;

  std::string name_;
  Source source_;
  Settings settings_;
  std::vector<char> buffer_;
  std::size_t begin_ = 0;  ///< of what of buffer_ was not yet taken
  std::size_t end_ = 0;
  bool at_end_ = false;
  bool filled_ = false;  ///< the source had all the buffer took, and may have more
  std::uint64_t bytes_ = 0;
  std::uint64_t line_number_ = 0;
  std::vector<std::optional<Quantity>> columns_;  ///< in file order; none: time
  std::optional<UtcTime> last_time_;
  std::uint64_t duplicates_ = 0;
  std::uint64_t missing_ = 0;
  std::uint64_t rounded_ = 0;
  std::uint64_t first_rounded_ = 0;
};

}  // namespace nightwatt::csv
