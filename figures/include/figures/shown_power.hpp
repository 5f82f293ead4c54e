// Power as a display shows it, out of a store: the readings, or of a meter that reports on change what held meanwhile.
#pragma once

#include <functional>

#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"
#include "storage/store.hpp"

namespace nightwatt::figures {

/// Power over [from, to] of a run's stream as its segments see it: the readings, or of a meter that reports on change
/// what it showed meanwhile. `visit` returns false to stop.
[[nodiscard]] Result<void> shown_powers(const storage::StoreReader& store, const storage::RunInfo& info, UtcTime from,
                                        UtcTime to, const std::function<bool(UtcTime, double)>& visit);
/// Power as it was shown for a while: a look at the display, or what is left of readings that were given up.
struct ShownPower {
  UtcTime begin;
  Duration length{0};  ///< of the stretch of time that it tells of
  Duration shown{0};   ///< how much of that is known
  double lowest_w = 0.0, mean_w = 0.0, highest_w = 0.0;
};
/// Of a meter that reports on change: shown_powers(), and minutes or hours where the raw readings were given up.
[[nodiscard]] Result<void> shown_or_left(const storage::StoreReader& store, const storage::RunInfo& info, UtcTime from,
                                         UtcTime to, const std::function<void(const ShownPower&)>& visit);
}  // namespace nightwatt::figures
