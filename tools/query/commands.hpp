// The commands: each answers on context.out and gives the exit status, or says why not.
#pragma once

#include "arguments.hpp"
#include "context.hpp"

namespace nightwatt::query {

using Outcome = Result<int>;  ///< the exit status

[[nodiscard]] Outcome run(Context& context, const StatusArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const PortsArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const SetupArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const BeginArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const EndArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const NameArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const MarkArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const RunsArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const SegmentsArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const SummaryArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const CompareArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const HistoryArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const CalibrateArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const TraceArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const ImportArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const ExportArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const DecodeArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const CaptureArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const EnterArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const SplitArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const PinArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const SetArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const JoinArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const DropArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const CheckArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const BackupArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const SalvageArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const EstimateArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const ReportArguments& arguments);
[[nodiscard]] Outcome run(Context& context, const DuringArguments& arguments);

}  // namespace nightwatt::query
