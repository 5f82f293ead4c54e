// The P1 port in the list of protocols.
#pragma once

#include "drivers/protocols.hpp"

namespace nightwatt::drivers::p1 {

[[nodiscard]] const Protocol& port_protocol();

}  // namespace nightwatt::drivers::p1
