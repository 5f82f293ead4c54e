// What `status` shows, gathered from the service where it runs and from the store.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "context.hpp"
#include "service.hpp"
#include "storage/store.hpp"

namespace nightwatt::query {

struct StatusPicture {
  bool running = false;
  std::vector<MeterState> meters;
  NotificationState tell;
  std::optional<MirrorState> mirror;
  bool paused = false;  ///< the service cannot write the store at the moment
  std::string paused_why;
  std::int64_t waiting = 0;  ///< readings that wait for it in memory
  std::string store_path;
  std::optional<storage::StoreStatus> store;  ///< none: not there yet, or it cannot be read
  std::string store_problem;                  ///< why the store of a running service cannot be read
  std::vector<std::string> quarantine;        ///< damaged stores that lie beside it
  std::vector<storage::Event> events;         ///< of the last days
};
[[nodiscard]] Result<StatusPicture> look_at_status(Context& context);

}  // namespace nightwatt::query
