// Lines of text in the list of protocols.
#pragma once

#include "drivers/protocols.hpp"

namespace nightwatt::drivers::text {

[[nodiscard]] const Protocol& line_protocol();

}  // namespace nightwatt::drivers::text
