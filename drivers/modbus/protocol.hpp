// Modbus in the list of protocols.
#pragma once

#include "drivers/protocols.hpp"

namespace nightwatt::drivers::modbus {

[[nodiscard]] const Protocol& rtu_protocol();
[[nodiscard]] const Protocol& tcp_protocol();

}  // namespace nightwatt::drivers::modbus
