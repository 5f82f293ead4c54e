// Pulses in the list of protocols.
#pragma once

#include "drivers/protocols.hpp"

namespace nightwatt::drivers::s0 {

[[nodiscard]] const Protocol& pulse_protocol();

}  // namespace nightwatt::drivers::s0
