// All that must be known of a file to read it, and the way to find it out.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "csv/csv_reader.hpp"
#include "number_form.hpp"
#include "time_form.hpp"
#include "zone.hpp"

namespace nightwatt::csv {

/// A column; two for a date and a time of day.
struct NamedColumns {
  std::vector<std::size_t> at;
  std::string shown;  ///< for people: `"Timestamp"`, `column 2`
};

struct Form {
  char delimiter = ',';
  std::uint64_t header_line = 0;  ///< 0: there is none
  std::uint64_t data_offset = 0;  ///< of what follows the header
  std::uint64_t data_line = 0;    ///< lines before it
  std::size_t columns = 0;        ///< that a row has at least; more are empty
  NamedColumns time, power;
  std::vector<std::pair<std::size_t, Quantity>> others;
  TimeForm time_form;
  NumberForm power_form, other_form;
  bool zone_matters = false;  ///< times without an offset
  Zone zone = Zone::fixed(0);
  std::string zone_text;
  bool names_month = false;  ///< its dates have the month as a word
  bool looks_unix = false;   ///< its numbers are times of day and year, no seconds since a begin
  bool backwards = false;
  bool coarse = false;             ///< readings with one time and different values
  std::int64_t usual_step_us = 0;  ///< between different times; 0 where there are not two
};

/// Looks at the beginning of the file, and on where that leaves two ways to read it.
[[nodiscard]] Result<Form> find_form(const std::string& name, const ReadAt& source, const FileOptions& options);
[[nodiscard]] std::string form_text(const Form& form);

/// The text of a record's time: the cell, or both with a blank between, put together in `scratch`.
[[nodiscard]] std::string_view time_text(const Form& form, const std::vector<std::string_view>& fields,
                                         std::string& scratch);

}  // namespace nightwatt::csv
