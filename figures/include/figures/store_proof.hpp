// Proves what a store keeps of a run's figures, and makes anew what does not prove: what storage itself cannot do.
#pragma once

#include <string>
#include <vector>

#include "measure/signal/result.hpp"
#include "storage/salvage.hpp"
#include "storage/store.hpp"

namespace nightwatt::figures {

/// A storage::RunProof: the run's totals are those of its readings, its stretches follow each other within it, and an
/// open run can go on.
[[nodiscard]] std::vector<std::string> prove_run(const storage::StoreReader& store, const storage::RunInfo& run);

/// A storage::MendRuns: figures that are damaged, or count other readings than there are, are made anew where the
/// readings are still there.
[[nodiscard]] Result<void> mend_runs(storage::StoreWriter& store, storage::SalvageReport& report);

}  // namespace nightwatt::figures
