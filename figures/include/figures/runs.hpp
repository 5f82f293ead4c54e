// Finding the run a person means, and naming it.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"
#include "storage/store.hpp"

namespace nightwatt::figures {

/// RUN: a number, `last`, or the name of a device with one run. ErrorKind::negative where there is none.
[[nodiscard]] Result<storage::RunInfo> find_run(const storage::StoreReader& store, std::string_view word);

/// All runs of which the store can tell, by number; for each of which it cannot, for damage, a sentence in
/// `warnings`.
[[nodiscard]] Result<std::vector<storage::RunInfo>> readable_runs(const storage::StoreReader& store,
                                                                  std::vector<std::string>& warnings);
/// The sentence for a run of which the store cannot tell.
[[nodiscard]] std::string left_out(storage::RunId run, const std::string& why);
/// How the run's times are shown.
[[nodiscard]] Result<Calendar> calendar_of(const storage::StoreReader& store, const storage::RunInfo& run);

/// `run 12 (Gannet board)`, safe to print.
[[nodiscard]] std::string run_text(const storage::RunInfo& run);
/// The device's name, safe to print; empty where it has none.
[[nodiscard]] std::string device_text(const storage::RunInfo& run);

}  // namespace nightwatt::figures
