// Two runs that become one.
#pragma once

#include <optional>

#include "storage/store.hpp"

namespace nightwatt::storage {

/// The half of a join that both closed and open runs need, between begin() and commit(): `first` gets the span up to
/// `end` (none: open), the marks of `second`, and of its name and words what it has none of itself; `second` goes. The
/// figures of both go too, to be made anew.
[[nodiscard]] Result<void> take_into(StoreWriter& store, const RunInfo& first, RunId second,
                                     std::optional<UtcTime> end);

}  // namespace nightwatt::storage
