// One attempt to read a file with one delimiter: how far it came, and why no farther.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "form.hpp"
#include "records.hpp"

namespace nightwatt::csv {

using Names = std::vector<std::string>;

/// How far an attempt to read the file came; what went farthest is right, or tells best what is wrong.
enum class Stage : std::uint8_t { nothing, columns, whole_row, time_read, power_read };

struct Attempt {
  std::string file;  ///< its name, for refusals
  Stage stage = Stage::nothing;
  std::size_t columns = 0;  ///< of the first row, where no header was found
  Form form;
  std::optional<Error> error;  ///< at this stage the file was refused

  /// The first refusal is the one that is told.
  void refuse(std::uint64_t line, const std::string& what);
};

/// What the options say of the file's form.
struct SaidForm {
  const FileOptions& options;
  std::optional<TimeForm> time;
  std::optional<char> decimal;
  std::optional<Decimal> scale;  ///< to watts
  std::optional<Zone> zone;
};
[[nodiscard]] Result<SaidForm> said_form(const FileOptions& options);

/// The columns that the header names, of which some may be the time.
struct Columns {
  Names names;
  std::vector<std::size_t> times;
};

/// `column 2`, or its name where there is a header.
[[nodiscard]] std::string shown_column(const Form& form, const Names& names, std::size_t column);
/// A dozen of them, in quotes.
[[nodiscard]] std::string shown_names(const Names& names);
[[nodiscard]] std::string lower(std::string_view text);
[[nodiscard]] bool looks_like_time(std::string_view cell);
[[nodiscard]] bool looks_like_number(std::string_view cell);

/// Reads up to the header, or to the first row where columns are told by number, and takes what it names into the
/// attempt. An error: the disk's.
[[nodiscard]] Result<Columns> find_header(Attempt& attempt, const SaidForm& said, Records& records, Fields& fields);
/// Reads on into the rows until they tell how times and numbers are written.
[[nodiscard]] Result<void> look_at_rows(Attempt& attempt, const SaidForm& said, Columns columns, Records& records,
                                        Fields& fields);

}  // namespace nightwatt::csv
