// Figures that were kept by another program, or before the display's step was known, made anew for good.
#pragma once

#include "measure/signal/result.hpp"
#include "storage/store.hpp"

namespace nightwatt::figures {

/// Whether the run has ended and a level's kept figure is not the one that this program would make; false also where
/// what is kept cannot be read.
[[nodiscard]] bool has_old_figures(const storage::StoreReader& store, storage::RunId run);

/// Replaces such figures, so that nobody makes them anew at every question; all else of the run stays. Between begin()
/// and commit().
[[nodiscard]] Result<void> recompute_figures(storage::StoreWriter& store, storage::RunId run);

}  // namespace nightwatt::figures
