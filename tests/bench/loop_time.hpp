// How long the service's loop is held up by one call on a live decoder, whatever the port gave it.
#pragma once

#include <string>

namespace nightwatt::bench {

/// Prints a line for each profile of a folder, with a simulated meter and with bytes made to cost time; false where a
/// call took a millisecond or more.
[[nodiscard]] bool print_loop_times(const std::string& profiles);

}  // namespace nightwatt::bench
