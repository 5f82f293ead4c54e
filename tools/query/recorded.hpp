// What a command asks of a store that must have readings: a run that was recorded, a meter that spoke.
#pragma once

#include <string>
#include <string_view>

#include "measure/signal/result.hpp"
#include "storage/store.hpp"

namespace nightwatt::query {

/// find_run(), but a run that was entered by hand is refused: it has no `things`.
[[nodiscard]] Result<storage::RunInfo> find_recorded_run(const storage::StoreReader& store, std::string_view word,
                                                         std::string_view things);

/// The stream of a meter; refused where no reading of it is in the store.
[[nodiscard]] Result<storage::StreamId> find_meter(const storage::StoreReader& store, const std::string& meter);

}  // namespace nightwatt::query
