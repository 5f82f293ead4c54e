// Stable names of serial ports.
#pragma once

#include <map>
#include <string>

namespace nightwatt::drivers {

/// For each device the link in a folder that points to it, the first in order where there are several. An unreadable or
/// missing folder is empty.
[[nodiscard]] std::map<std::string, std::string> links_by_device(const std::string& folder);

}  // namespace nightwatt::drivers
