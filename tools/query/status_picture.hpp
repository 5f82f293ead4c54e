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
  TellState tell;
  std::string store_path;
  std::optional<storage::StoreStatus> store;  ///< none: not there yet
  std::vector<storage::Event> events;         ///< of the last days
};
[[nodiscard]] Result<StatusPicture> look_at_status(Context& context);

}  // namespace nightwatt::query
