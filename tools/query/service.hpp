// Talks to the running service.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "context.hpp"
#include "daemon/requests.hpp"

namespace nightwatt::query {

/// A meter as the service, or without it the store, knows it. Absent: not known.
struct MeterState {
  std::string name;
  std::string state;
  std::optional<UtcTime> last;
  std::optional<double> age_s;
  std::optional<std::int64_t> readings;
  std::optional<std::int64_t> faults;
  std::string trouble;  ///< what the port says instead of what the profile says
};

/// How telling at night went, since the service started.
struct NotificationState {
  std::int64_t told = 0, failed = 0, given_up = 0, waiting = 0;
};
struct MirrorState {
  bool connected = false;
  std::int64_t copied = 0;
  std::optional<double> behind_s;
  std::string trouble;
};
struct ServiceState {
  std::vector<MeterState> meters;
  NotificationState tell;
  std::optional<MirrorState> mirror;
  bool paused = false;       ///< the store cannot be written at the moment
  std::string paused_why;    ///< in a line; empty where the service does not say
  std::int64_t waiting = 0;  ///< readings in memory, not yet in the store
};

/// Bytes that came over a meter's port, or were sent, at once.
struct CapturedPiece {
  UtcTime at;
  bool sent = false;
  std::vector<std::byte> bytes;
};
struct Captured {
  std::uint64_t next = 0;    ///< to ask with the next time
  std::uint64_t missed = 0;  ///< pieces for which the service had no room
  std::string state;         ///< the meter's
  std::vector<CapturedPiece> pieces;
};

/// Each asks once and waits a few seconds at most. ErrorKind::unusable: no service; else as the service says.
[[nodiscard]] Result<ServiceState> service_status(Context& context);
/// Begin, end, split or join: gives the run.
[[nodiscard]] Result<storage::RunId> ask_for_run(Context& context, const daemon::RunRequest& request);
/// `after` none: from now on.
[[nodiscard]] Result<Captured> service_capture(Context& context, const std::string& meter,
                                               std::optional<std::uint64_t> after);
/// By the service where it runs, so that who may talk to it may mark; else straight into the store.
[[nodiscard]] Result<void> put_mark(Context& context, const storage::Mark& mark);
[[nodiscard]] Result<void> remove_mark(Context& context, std::int64_t id);

}  // namespace nightwatt::query
