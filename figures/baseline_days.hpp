// What one long run at idle shows by itself: its days, its hours, its drift.
#pragma once

#include "figures/history.hpp"

namespace nightwatt::figures {

/// nullopt where the run holds fewer than three days at idle.
[[nodiscard]] Result<std::optional<LongBaseline>> long_baseline(const storage::StoreReader& store,
                                                                const RunRecord& record);

}  // namespace nightwatt::figures
