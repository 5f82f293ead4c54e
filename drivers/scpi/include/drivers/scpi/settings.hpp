// The settings of an instrument that speaks SCPI.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/time.hpp"

namespace nightwatt {

namespace drivers {
class Protocol;
}

struct ScpiSettings {
  static constexpr std::string_view protocol_name = "scpi";
  [[nodiscard]] static const drivers::Protocol& protocol();
  std::vector<std::string> setup;  ///< sent once after opening, a line each
  Duration timeout{1'000'000};     ///< to answer a query; the bytes' time on the wire comes on top
  int retries = 1;                 ///< asks again this often before the query counts as failed
  friend bool operator==(const ScpiSettings&, const ScpiSettings&) = default;
};

}  // namespace nightwatt
