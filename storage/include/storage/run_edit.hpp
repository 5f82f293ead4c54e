// Two runs that become one.
#pragma once

#include <optional>

#include "storage/store.hpp"

namespace nightwatt::storage {

/// A run of the same meter between `first` and a later one that begins at `next`.
struct RunBetween {
  RunId run = 0;
  bool is_sure = true;  ///< false: it is damaged, and for all that can be proved it may lie there
};
/// None: none does. ErrorKind::unusable where runs are gone without a trace: nobody can say where they lay.
[[nodiscard]] Result<std::optional<RunBetween>> run_between(const StoreReader& store, const RunInfo& first,
                                                            UtcTime next);

/// The half of a join that both closed and open runs need, between begin() and commit(): `first` gets the span up to
/// `end` (none: open), the marks of `second`, and of its name and words what it has none of itself; `second` goes. The
/// figures of both go too, to be made anew.
[[nodiscard]] Result<void> take_into(StoreWriter& store, const RunInfo& first, RunId second,
                                     std::optional<UtcTime> end);

}  // namespace nightwatt::storage
