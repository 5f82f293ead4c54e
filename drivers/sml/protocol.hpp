// SML in the list of protocols.
#pragma once

#include "drivers/protocols.hpp"

namespace nightwatt::drivers::sml {

[[nodiscard]] const Protocol& message_protocol();

}  // namespace nightwatt::drivers::sml
