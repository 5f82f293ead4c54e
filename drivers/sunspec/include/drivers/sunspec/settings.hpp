// The settings of a meter with the SunSpec register map.
#pragma once

#include <string_view>

#include "measure/signal/time.hpp"

namespace nightwatt {

namespace drivers {
class Protocol;
}

struct SunSpecSettings {
  static constexpr std::string_view protocol_name = "sunspec";
  [[nodiscard]] static const drivers::Protocol& protocol();
  int unit = 1;                 ///< 1 to 247
  Duration timeout{1'000'000};  ///< to answer; the bytes' time on the wire comes on top
  int retries = 2;
  friend bool operator==(const SunSpecSettings&, const SunSpecSettings&) = default;
};

}  // namespace nightwatt
