// The settings of a smart meter's P1 port (DSMR, and the Belgian variants).
#pragma once

#include <string_view>

namespace nightwatt {

namespace drivers {
class Protocol;
}

/// Nothing to set: a telegram says all of itself.
struct DsmrP1Settings {
  static constexpr std::string_view protocol_name = "dsmr-p1";
  [[nodiscard]] static const drivers::Protocol& protocol();
  friend bool operator==(const DsmrP1Settings&, const DsmrP1Settings&) = default;
};

}  // namespace nightwatt
