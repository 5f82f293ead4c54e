// What one text line says: a reading, a fault, or nothing.
#pragma once

#include <array>
#include <cstdint>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "drivers/decoder.hpp"
#include "measure/meter_profile.hpp"
#include "measure/result.hpp"
#include "text_forms.hpp"

namespace nightwatt::drivers::text {

/// Reads the lines of one meter. Which lines are data, damage or words to skip is told in docs/meters.md; what good
/// lines taught (layout, units) is remembered until forget().
class LineReader {
 public:
  [[nodiscard]] static Result<LineReader> make(const TextLineSettings& settings, const std::vector<ReadSpec>& reads);

  /// Adds at most one reading, and the faults of the line.
  void read(std::string_view line, std::uint64_t at_byte, Output& out);

  /// Whether a line shows by itself that it is no second half: it begins as only a whole line can.
  [[nodiscard]] bool is_whole(std::string_view line) const;

  /// Whether the front of a line, if it were missing, would be missing from a value that is read. `whole` is a line
  /// that is known to be whole.
  [[nodiscard]] bool may_be_half(std::string_view line, std::string_view whole) const;

  void forget();

 private:
  LineReader(const TextLineSettings& settings, const std::vector<ReadSpec>& reads);

  [[nodiscard]] bool open_checksum(std::string_view& line, std::uint64_t& at_byte, Output& out) const;
  [[nodiscard]] Found find(std::string_view line);
  [[nodiscard]] bool take(std::size_t index, std::string_view text, bool decimal_comma, std::uint64_t at_byte,
                          Values& values, Output& out);
  [[nodiscard]] bool reads_first_column() const;

  TextLineSettings settings_;
  std::vector<ReadSpec> reads_;
  std::variant<CsvForm, KeyValueForm, JsonForm> form_;
  std::array<std::string, quantity_count> units_;  ///< written behind a value so far
  std::array<bool, quantity_count> unit_known_{};  ///< whether units_ says anything yet
  std::string noise_before_;                       ///< NUL and FF in front of the line before
};

}  // namespace nightwatt::drivers::text
