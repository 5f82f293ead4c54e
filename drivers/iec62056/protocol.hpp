// Optical heads and current loops in the list of protocols.
#pragma once

#include "drivers/protocols.hpp"

namespace nightwatt::drivers::iec62056 {

[[nodiscard]] const Protocol& head_protocol();

}  // namespace nightwatt::drivers::iec62056
