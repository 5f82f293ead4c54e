// What a meter that prints lines says: its form, its fields, and which of them is probably what. Pure.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/text/settings.hpp"
#include "measure/signal/meter_profile.hpp"

namespace nightwatt::setup {

/// One field of the lines, as our own decoder reads it.
struct TextField {
  std::string field;  ///< a column's number from 1, or a key
  std::string name;   ///< of a column, where a line of names came before; else the field
  std::vector<Decimal> values;
  std::optional<Quantity> probably;  ///< what it is, where name, unit or numbers tell
  Decimal scale{1, 0};               ///< to the quantity's unit, where the name tells
  bool says_unit = false;            ///< the unit stands behind the number; the decoder obeys it
};

struct TextGuess {
  TextLineSettings settings;
  std::vector<TextField> fields;  ///< those that hold numbers, in the line's order
  std::size_t lines = 0;          ///< that gave a number
  double share = 0.0;             ///< of all lines
};

/// More than a meter prints while one waits.
inline constexpr std::size_t guess_line_limit = 64;

/// Whole lines of text out of bytes: without the first, which may be half, and an unfinished last one.
[[nodiscard]] std::vector<std::string> whole_lines(std::string_view bytes);
/// Share of bytes that are printable text or line ends; a wrong baud rate gives noise.
[[nodiscard]] double text_share(std::string_view bytes);

/// nullopt: no line holds a number. With `only`, that form and no other.
[[nodiscard]] std::optional<TextGuess> guess_text(std::span<const std::string> lines,
                                                  std::optional<TextLineSettings> only = std::nullopt);

/// A profile that reads these fields of the guess, each as what it is: at least one.
struct ChosenField {
  Quantity quantity = Quantity::power;
  std::string field;
  Decimal scale{1, 0};
  std::optional<double> resolution;
  std::optional<Accuracy> accuracy;
};
[[nodiscard]] MeterProfile text_profile(const TextLineSettings& settings, const LineSettings& line,
                                        std::span<const ChosenField> fields);

/// The smallest step these values show in their digits, times the scale: 25.0 shows tenths.
[[nodiscard]] std::optional<double> shown_step(std::span<const Decimal> values, const Decimal& scale);

/// The factor from a unit's word (`mW`, `kW`, `Wh`, ...) or a number; nullopt for what is neither.
[[nodiscard]] std::optional<Decimal> scale_from(std::string_view word);

}  // namespace nightwatt::setup
