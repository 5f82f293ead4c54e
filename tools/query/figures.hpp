// The figures of a run as the commands show them.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "context.hpp"
#include "json_text.hpp"
#include "measure/summary.hpp"
#include "storage/run_builder.hpp"

namespace nightwatt::query {

/// One run with all that is known of it. An entered row has a summary of the two figures that were entered.
struct RunRecord {
  storage::RunInfo info;
  std::vector<Segment> segments;
  Summary summary;
  Duration shift{0};  ///< add to every time to show it
};
[[nodiscard]] Result<RunRecord> run_record(const storage::StoreReader& store, const storage::RunInfo& info);

/// One row of `compare`: a device's figures, of one run or of several.
struct DeviceRow {
  std::string device;
  std::vector<storage::RunId> runs;
  std::optional<Figure> idle, load, standby;
  std::optional<double> energy_wh;
  bool entered = false;
};
/// Figures of several runs of one device: the mean weighted by how long each held the level. The runs' own
/// uncertainties are taken as fully correlated (it is the same meter, as a rule) and the spread between the runs is
/// added to them.
[[nodiscard]] DeviceRow pooled(std::string device, std::span<const RunRecord> records);

/// `25.02 ± 0.21 W`, or empty.
[[nodiscard]] std::string figure_or_nothing(const std::optional<Figure>& figure, std::string_view unit);
/// A number for people: about four significant digits, `4.217 Wh`.
[[nodiscard]] std::string number_text(double value, std::string_view unit);
[[nodiscard]] std::string number_or_nothing(const std::optional<double>& value, std::string_view unit);
[[nodiscard]] Tone kind_tone(SegmentKind kind);
[[nodiscard]] char kind_letter(SegmentKind kind);
/// `2 off, 1 idle, 3 plateau`
[[nodiscard]] std::string counts_text(const Summary& summary);

void write_figure(JsonWriter& json, std::string_view name,
                  const std::optional<Figure>& figure);  ///< NAME_w, NAME_uncertainty_w
void write_segments(JsonWriter& json, std::span<const Segment> segments, Duration shift);  ///< an array

}  // namespace nightwatt::query
