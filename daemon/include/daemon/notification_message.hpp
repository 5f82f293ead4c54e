// One thing that is told at night: as a line for people, as JSON, and as a program's environment.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "config/config.hpp"
#include "measure/signal/time.hpp"
#include "storage/store.hpp"

namespace nightwatt::daemon {

struct NotificationMessage {
  config::NotificationKind kind = config::NotificationKind::silent;
  UtcTime at;  ///< as shown to people
  std::string text;
  std::optional<std::string> meter;
  std::optional<storage::RunId> run;
  std::optional<std::string> device;
  std::optional<double> seconds;  ///< of silence, or of the run
};

/// One object, one line, its newline counted. A device's name may hold anything; here it is only ever a value.
[[nodiscard]] std::string notification_json(const NotificationMessage& message);
/// NIGHTWATT_EVENT, _AT, _TEXT, and _METER, _RUN, _DEVICE where there is one: each `NAME=value`.
[[nodiscard]] std::vector<std::string> tell_environment(const NotificationMessage& message);

}  // namespace nightwatt::daemon
