// SunSpec in the list of protocols.
#pragma once

#include "drivers/protocols.hpp"

namespace nightwatt::drivers::sunspec {

[[nodiscard]] const Protocol& map_protocol();

}  // namespace nightwatt::drivers::sunspec
