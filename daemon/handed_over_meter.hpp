// What a meter takes along when the store it was recorded into is gone from its path and recording goes on in another.
#pragma once

#include <optional>
#include <string>

#include "daemon/reading_queue.hpp"
#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"
#include "storage/store.hpp"

namespace nightwatt::daemon {

struct HandedOverMeter {
  std::string meter;
  std::optional<UtcTime> last;            ///< reading in the old store
  Duration utc_offset{0};                 ///< in force at `last`
  std::optional<storage::RunInfo> run;    ///< that was open
  std::optional<std::string> auto_state;  ///< as MeterRecorder keeps it
};

/// From a store whose file is gone but still open. What cannot be read stays behind.
[[nodiscard]] HandedOverMeter hand_over(const storage::StoreWriter& old, const std::string& meter);

/// Into a store, within a transaction: the shift, the state of the automatic runs, and the open run as a run of the
/// same name that begins at `from` - unless a run is open there, or one ended later.
[[nodiscard]] Result<void> put_handed_over(storage::StoreWriter& fresh, const HandedOverMeter& carried, UtcTime from);

}  // namespace nightwatt::daemon
