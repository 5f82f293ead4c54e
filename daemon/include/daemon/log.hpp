// Where the service says what happened: one line at a time, to whoever main handed in.
#pragma once

#include <cstdint>
#include <functional>
#include <string_view>

namespace nightwatt::daemon {

enum class LogLevel : std::uint8_t { info, warning, error };

/// Called from the loop thread and the store thread; must take that.
using LogSink = std::function<void(LogLevel, std::string_view)>;

}  // namespace nightwatt::daemon
