// Writes readings as the CSV that CsvReader takes, digit for digit.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "measure/signal/reading.hpp"

namespace nightwatt::csv {

/// Appends the header line: `time`, `power_w`, and `others` in the order given.
void append_header(std::string& out, const std::vector<Quantity>& others);
/// Appends one line; a value the reading lacks is an empty cell. `shift` is added to the time.
void append_row(std::string& out, const Reading& reading, Duration shift, const std::vector<Quantity>& others);

}  // namespace nightwatt::csv
