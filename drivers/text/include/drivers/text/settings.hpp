// The settings of a meter that prints lines of text.
#pragma once

#include <cstdint>
#include <string_view>

namespace nightwatt {

namespace drivers {
class Protocol;
}

enum class TextForm : std::uint8_t { csv, key_value, json };
enum class TextChecksum : std::uint8_t { none, xor_nmea };
struct TextLineSettings {
  static constexpr std::string_view protocol_name = "text-line";
  [[nodiscard]] static const drivers::Protocol& protocol();
  TextForm form = TextForm::csv;
  TextChecksum checksum = TextChecksum::none;
  friend bool operator==(const TextLineSettings&, const TextLineSettings&) = default;
};

}  // namespace nightwatt
