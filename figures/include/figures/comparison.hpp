// The comparison of devices that `compare` prints and a report publishes.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "figures/day.hpp"
#include "figures/device_table.hpp"
#include "text/json_text.hpp"

namespace nightwatt::figures {

struct ComparisonRequest {
  std::vector<std::string> runs;  ///< each a number or `last`; none: the newest of each named device, and entered rows
  std::optional<std::string> against;  ///< a device
  std::optional<std::string> less;     ///< a run
  bool all = false;                    ///< without runs: all of each named device
};

/// All that one comparison shows.
struct Comparison {
  std::vector<DeviceRow> rows;
  std::vector<std::optional<Rank>> idle_ranks, load_ranks;
  std::optional<std::size_t> against;  ///< of `rows`
  std::optional<storage::RunId> less;
  std::vector<std::string> warnings;
};

/// The newest run of each named device, or all of them, and every entered row; ErrorKind::negative where there is none.
[[nodiscard]] Result<std::vector<storage::RunInfo>> default_runs(const storage::StoreReader& store,
                                                                 std::vector<std::string>& warnings, bool all = false);
/// Each once, in the order given.
[[nodiscard]] Result<std::vector<storage::RunInfo>> given_runs(const storage::StoreReader& store,
                                                               const std::vector<std::string>& words);
[[nodiscard]] Result<Comparison> comparison_of(const storage::StoreReader& store, const ComparisonRequest& request);

[[nodiscard]] std::string rank_text(const std::optional<Rank>& rank);  ///< `1`, `2-3`, or empty
[[nodiscard]] std::string runs_text(const DeviceRow& row);             ///< `runs 3, 5`
/// Not made safe to print.
[[nodiscard]] std::string includes_text(const DeviceRow& row, std::string_view between);
[[nodiscard]] std::string conditions_text(const DeviceRow& row, std::string_view equals, std::string_view between);

/// The document of `compare --json`. `day` may be null: not asked for.
void write_comparison(text::JsonWriter& json, const Comparison& all, const DayRequest* day = nullptr);

}  // namespace nightwatt::figures
