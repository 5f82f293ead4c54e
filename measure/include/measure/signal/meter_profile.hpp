// A meter as data: what a profile file says, parsed. Pure values; read by config, obeyed by drivers and the segmenter.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/correction.hpp"
#include "measure/signal/protocol_settings.hpp"
#include "measure/signal/reading.hpp"
#include "measure/signal/result.hpp"

namespace nightwatt {

/// What a meter's maker promises: |error| <= percent of reading + floor, in the quantity's unit; or a class of the
/// active-energy meter standards. Taken as the half-width of a rectangular distribution (GUM 4.3.7).
struct Accuracy {
  double percent = 0.0;     ///< of reading; [0, 100]
  double floor = 0.0;       ///< in the quantity's unit; >= 0
  std::string meter_class;  ///< "A", "B", "C", "0.5S", "1", ... or empty; where given, percent is its main-range limit

  /// Half-width of the promise at a level, in the quantity's unit.
  [[nodiscard]] double half_width(double level) const;

  /// `"1%"`, `"1% + 0.05W"`, `"class B"`. Error kind input, one line.
  [[nodiscard]] static Result<Accuracy> parse(std::string_view text);
  /// The class's limit in its main range (standards: EN 50470-3, IEC 62053-21/-22). Error for an unknown class.
  [[nodiscard]] static Result<Accuracy> from_class(std::string_view meter_class);
  /// The words parse() takes.
  [[nodiscard]] std::string text() const;
  friend bool operator==(const Accuracy&, const Accuracy&) = default;
};

/// What a display does with the digits it does not show.
enum class Rounding : std::uint8_t { not_told, rounds, truncates };

/// What is known of the power a stream delivers, beside its readings. Kept with the run, so that a figure can be made
/// again without the config.
struct MeterTraits {
  std::optional<double> resolution_w;      ///< display step; learnt from the readings where not known
  Rounding rounding = Rounding::not_told;  ///< truncates: only with a resolution
  std::optional<Accuracy> accuracy;        ///< of power
  std::optional<double> starting_w;        ///< below this the meter shows nothing
  std::optional<double> energy_step_wh;    ///< step of the energy counter
  std::optional<Accuracy> energy_accuracy;
  bool on_change = false;                     ///< a reading holds until the next
  std::optional<double> gap_s = {};           ///< silence that is a gap; by the usual rule where not known
  std::optional<Correction> correction = {};  ///< of power, by a calibration
  friend bool operator==(const MeterTraits&, const MeterTraits&) = default;
};

enum class Parity : std::uint8_t { none, even, odd, mark, space };

/// A serial line.
struct LineSettings {
  std::uint32_t baud = 9600;
  Parity parity = Parity::none;
  int data_bits = 8;  ///< 5 to 8
  int stop_bits = 1;  ///< 1 or 2
  /// Duration of one character on the wire, start, data, parity and stop bits counted.
  [[nodiscard]] Duration character_time() const;
  friend bool operator==(const LineSettings&, const LineSettings&) = default;
};

enum class RegisterType : std::uint8_t { u16, s16, u32, s32, u64, s64, float32, float64 };
/// Registers of 16 bits that one value takes.
[[nodiscard]] std::size_t register_count(RegisterType type);
/// Order of the bytes on the wire for a 32-bit value whose big-endian bytes are a b c d; 64-bit values repeat the
/// pattern (abcd: efgh follows; cdab: words reversed; badc: bytes in each word swapped; dcba: all reversed).
enum class RegisterOrder : std::uint8_t { abcd, cdab, badc, dcba };

/// One quantity to take from an answer.
struct ReadSpec {
  Quantity quantity = Quantity::power;
  Decimal scale{1, 0};  ///< to W, Wh, V, A, Hz, VA, var; negative turns the sign
  std::optional<double> resolution;
  Rounding rounding = Rounding::not_told;  ///< truncates: only with a resolution
  std::optional<Accuracy> accuracy;
  std::optional<Correction> correction;  ///< power only
  // modbus-rtu, modbus-tcp
  int function = 4;                    ///< 3 or 4
  std::uint16_t register_address = 0;  ///< PDU address, zero-based
  RegisterType type = RegisterType::u16;
  RegisterOrder order = RegisterOrder::abcd;
  // text-line, scpi
  int column = 0;     ///< csv, or of a query's answer: from 1; 0 where a key is used
  std::string key;    ///< key-value and json
  std::string query;  ///< scpi
  // dsmr-p1, sml, iec62056-21
  std::string obis;   ///< "1-0:1.7.0", or without the part up to the colon
  std::string minus;  ///< subtracted where the meter has it; empty: nothing
  friend bool operator==(const ReadSpec&, const ReadSpec&) = default;
};

struct MeterProfile {
  std::string name;  ///< file name without folder and extension
  ProtocolSettings protocol;
  LineSettings line;
  Duration interval{1'000'000};  ///< how often to ask, where the meter must be asked
  std::optional<double> starting_w;
  bool on_change = false;       ///< the meter speaks when something changed: a reading holds until the next
  std::optional<double> gap_s;  ///< silence that is a gap
  std::vector<ReadSpec> reads;  ///< at least one

  /// The protocol's name in a profile file.
  [[nodiscard]] std::string_view protocol_name() const { return protocol.protocol_name(); }
  [[nodiscard]] MeterTraits traits() const;
  friend bool operator==(const MeterProfile&, const MeterProfile&) = default;
};

}  // namespace nightwatt
