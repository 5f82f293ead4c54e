// Everything that proves sound out of a damaged store, in a new one, with a list of what was lost.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"
#include "storage/store.hpp"

namespace nightwatt::storage {

/// A stretch of readings that is gone.
struct SalvageLoss {
  std::optional<std::string> meter;      ///< none: of an imported file
  std::optional<UtcTime> from, to;       ///< record times: somewhere in here; none: of all before, of all after
  std::optional<std::int64_t> readings;  ///< how many, where that is known
  std::vector<RunId> runs;               ///< that it was part of
};

struct SalvageReport {
  std::int64_t runs = 0, blocks = 0, readings = 0, marks = 0;
  std::vector<SalvageLoss> losses;
  std::vector<std::string> remarks;  ///< what else was lost or had to be made anew, a line each
};

/// Makes anew what was brought over of runs' figures and does not agree with the readings, and says so in the remarks.
using MendRuns = std::function<Result<void>(StoreWriter& store, SalvageReport& report)>;

/// Reads the files at `damaged` and changes nothing there. `fresh` must not exist; it is a sound store afterwards, or
/// is not there. Looks at every page by itself, so that it needs no list of pages to be whole; a row counts where its
/// seal says so, a block of readings where its own checksum does. Stores of before seals are believed where a row looks
/// like one of ours.
[[nodiscard]] Result<SalvageReport> salvage(const std::string& damaged, const std::string& fresh, const MendRuns& mend,
                                            const RunProof& prove);

}  // namespace nightwatt::storage
