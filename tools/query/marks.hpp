// Where a mark goes: which run or meter it concerns, and which instant of the record that is.
#pragma once

#include <optional>
#include <string>

#include "context.hpp"

namespace nightwatt::query {

/// What a mark is pinned to.
struct MarkTarget {
  std::optional<storage::RunId> run;
  std::optional<std::string> meter;
  storage::StreamId stream = 0;
};
[[nodiscard]] Result<MarkTarget> mark_target(const storage::StoreReader& store, const MaybeWord& run,
                                             const MaybeWord& meter);
/// The instant in the record's time of one that a person was shown. `given`: by the user, not the clock.
[[nodiscard]] Result<UtcTime> instant_of(const storage::StoreReader& store, const MarkTarget& target, UtcTime shown,
                                         bool given);

}  // namespace nightwatt::query
