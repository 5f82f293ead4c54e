// The settings of a Modbus meter.
#pragma once

#include <string_view>

#include "measure/signal/time.hpp"

namespace nightwatt {

namespace drivers {
class Protocol;
}

struct ModbusRtuSettings {
  static constexpr std::string_view protocol_name = "modbus-rtu";
  [[nodiscard]] static const drivers::Protocol& protocol();
  int unit = 1;                 ///< 1 to 247
  Duration timeout{1'000'000};  ///< to answer; both frames' time on the wire comes on top
  int retries = 2;              ///< asks again at once this often before the reading counts as missed
  friend bool operator==(const ModbusRtuSettings&, const ModbusRtuSettings&) = default;
};

struct ModbusTcpSettings {
  static constexpr std::string_view protocol_name = "modbus-tcp";
  [[nodiscard]] static const drivers::Protocol& protocol();
  int unit = 1;                 ///< 0 to 255; behind a gateway the meter's, else what its manual says, often 1 or 255
  Duration timeout{1'000'000};  ///< to answer
  int retries = 2;              ///< asks again at once this often before the reading counts as missed
  friend bool operator==(const ModbusTcpSettings&, const ModbusTcpSettings&) = default;
};

}  // namespace nightwatt
