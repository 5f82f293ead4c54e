// What one text line says: a reading, a fault, or nothing.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "drivers/decoder.hpp"
#include "drivers/text/settings.hpp"
#include "measure/signal/meter_profile.hpp"
#include "measure/signal/result.hpp"
#include "text/field.hpp"
#include "text/forms.hpp"

namespace nightwatt::drivers::text {

/// The unit a meter writes behind one value. Another one is not believed until three lines running have it, so that one
/// damaged line neither changes a figure nor shuts the meter out.
class UnitHabit {
 public:
  /// Whether a value with this unit, or none, is to be believed.
  [[nodiscard]] bool accepts(std::string_view unit);
  /// A unit that is obeyed was read: the quantity's own, or one with a prefix.
  void note(bool base);

 private:
  static constexpr const char* prefixed = "*";
  std::optional<std::string> unit_;
  std::string other_;
  int other_running_ = 0;
};

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
                          Values& values, bool first_fault, Output& out);
  [[nodiscard]] bool reads_first_column() const;
  [[nodiscard]] bool digits_fit(std::size_t index, const Field& field, std::string_view text);

  TextLineSettings settings_;
  std::vector<ReadSpec> reads_;
  std::variant<CsvForm, KeyValueForm, JsonForm> form_;
  std::array<UnitHabit, quantity_count> units_;
  std::array<DecimalsHabit, quantity_count> decimals_;
  std::array<std::string, quantity_count> decimals_unit_;  ///< the unit they are of
  LayoutHabit layout_;
  std::string noise_before_;  ///< NUL and FF in front of the line before
};

}  // namespace nightwatt::drivers::text
