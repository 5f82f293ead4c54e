// The settings of a meter that sends SML messages.
#pragma once

#include <string_view>

namespace nightwatt {

namespace drivers {
class Protocol;
}

struct SmlSettings {
  static constexpr std::string_view protocol_name = "sml";
  [[nodiscard]] static const drivers::Protocol& protocol();
  /// The meter sends a power of two bytes as if it had no sign, so that one above half of their range looks negative.
  bool unsigned_power = false;
  friend bool operator==(const SmlSettings&, const SmlSettings&) = default;
};

}  // namespace nightwatt
