// SCPI in the list of protocols.
#pragma once

#include "drivers/protocols.hpp"

namespace nightwatt::drivers::scpi {

[[nodiscard]] const Protocol& instrument_protocol();

}  // namespace nightwatt::drivers::scpi
