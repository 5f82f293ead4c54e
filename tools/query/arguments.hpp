// The commands: the words of each, before anything was checked but their number, and the run() that its own file holds.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <variant>
#include <vector>

#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::query {

class Context;
using Outcome = Result<int>;  ///< of a command, which answers on Context::out: the exit status, or why not

using Words = std::vector<std::string>;
using MaybeWord = std::optional<std::string>;

struct GlobalOptions {
  MaybeWord store;
  MaybeWord config;
  bool json = false;
  bool no_color = false;
  bool quiet = false;  ///< the answer and errors alone
};

struct StatusArguments {
  MaybeWord stale, every;
  bool follow = false;
};
[[nodiscard]] Outcome run(Context& context, const StatusArguments& arguments);
struct PortsArguments {};
[[nodiscard]] Outcome run(Context& context, const PortsArguments& arguments);
struct SetupArguments {
  MaybeWord port, profile, baud, form, checksum, field, unit, also, resolution, accuracy, name, out;
  bool yes = false, add = false, overwrite = false, power_only = false;
};
[[nodiscard]] Outcome run(Context& context, const SetupArguments& arguments);
struct BeginArguments {
  std::string device;
  MaybeWord meter, note, includes, at;
  Words set;
};
[[nodiscard]] Outcome run(Context& context, const BeginArguments& arguments);
struct EndArguments {
  MaybeWord meter, at;
};
[[nodiscard]] Outcome run(Context& context, const EndArguments& arguments);
struct NameArguments {
  std::string run;
  MaybeWord device;
  bool accept = false;
};
[[nodiscard]] Outcome run(Context& context, const NameArguments& arguments);
struct MarkArguments {
  MaybeWord text, meter, run, at, kind;
  bool remove = false;
};
[[nodiscard]] Outcome run(Context& context, const MarkArguments& arguments);
struct SetArguments {
  std::string run;
  MaybeWord note, includes;
  Words set;
};
[[nodiscard]] Outcome run(Context& context, const SetArguments& arguments);
struct JoinArguments {
  std::string run, next;
};
[[nodiscard]] Outcome run(Context& context, const JoinArguments& arguments);
struct DuringArguments {
  std::string label;
  MaybeWord times, meter, shell, settle;
  Words command;
};
[[nodiscard]] Outcome run(Context& context, const DuringArguments& arguments);
struct RunsArguments {
  MaybeWord device, since, until;
};
[[nodiscard]] Outcome run(Context& context, const RunsArguments& arguments);
struct SegmentsArguments {
  std::string run;
  bool wide = false;  ///< all that is known of each
};
[[nodiscard]] Outcome run(Context& context, const SegmentsArguments& arguments);
struct SummaryArguments {
  std::string run;
  bool budget = false;
};
[[nodiscard]] Outcome run(Context& context, const SummaryArguments& arguments);
struct CompareArguments {
  Words runs;
  MaybeWord against, less, format;
  bool all = false;
  MaybeWord columns, day, tariff, currency, battery;
};
[[nodiscard]] Outcome run(Context& context, const CompareArguments& arguments);
struct CalibrateArguments {
  std::string meter;
  MaybeWord against, valid_days;
  Words runs, known;
  bool write = false;
};
[[nodiscard]] Outcome run(Context& context, const CalibrateArguments& arguments);
struct HistoryArguments {
  std::string device;
  MaybeWord format;
};
[[nodiscard]] Outcome run(Context& context, const HistoryArguments& arguments);
struct ReportArguments {
  Words runs;
  MaybeWord file, title, note, format;
};
[[nodiscard]] Outcome run(Context& context, const ReportArguments& arguments);
struct EstimateArguments {
  Words runs;
  MaybeWord idle_h, load_h, standby_h, off_h, duty;
  MaybeWord off_w, sleep_w, long_idle_w;
  MaybeWord tariff, currency, emissions;
  MaybeWord autonomy_days, dod, battery_efficiency, ageing, temperature_factor, battery_c, battery_v;
  MaybeWord adapter_efficiency, adapter_curve;
};
[[nodiscard]] Outcome run(Context& context, const EstimateArguments& arguments);
struct TraceArguments {
  std::string run;
  MaybeWord from, to, every;
  bool follow = false;
};
[[nodiscard]] Outcome run(Context& context, const TraceArguments& arguments);
struct ImportArguments {
  std::string file;
  MaybeWord device, resolution, accuracy, starting, missing_below, note, includes;
  MaybeWord time, power, unit, delimiter, decimal, date_format, zone;
  bool rounds = false, truncates = false, on_change = false;
  MaybeWord gap;
  Words set;
};
[[nodiscard]] Outcome run(Context& context, const ImportArguments& arguments);
struct ExportArguments {
  MaybeWord run, format, meter, from, to, file;
  bool segments = false;
};
[[nodiscard]] Outcome run(Context& context, const ExportArguments& arguments);
struct CaptureArguments {
  MaybeWord meter, seconds;
  std::string out;
};
[[nodiscard]] Outcome run(Context& context, const CaptureArguments& arguments);
struct DecodeArguments {
  std::string file, profile;
};
[[nodiscard]] Outcome run(Context& context, const DecodeArguments& arguments);
struct EnterArguments {
  std::string device;
  MaybeWord idle, load, standby, at, resolution, accuracy, note, includes;
  Words set;
};
[[nodiscard]] Outcome run(Context& context, const EnterArguments& arguments);
struct SplitArguments {
  std::string run, at;
};
[[nodiscard]] Outcome run(Context& context, const SplitArguments& arguments);
struct PinArguments {
  std::string run;
  bool off = false;
};
[[nodiscard]] Outcome run(Context& context, const PinArguments& arguments);
struct DropArguments {
  std::string run;
  bool old_word = false;  ///< said as `forget`, which goes
};
[[nodiscard]] Outcome run(Context& context, const DropArguments& arguments);
struct CheckArguments {
  bool acknowledge = false;
};
[[nodiscard]] Outcome run(Context& context, const CheckArguments& arguments);
struct BackupArguments {
  MaybeWord file, folder, keep;
};
[[nodiscard]] Outcome run(Context& context, const BackupArguments& arguments);
struct SalvageArguments {
  std::string damaged, fresh;
};
[[nodiscard]] Outcome run(Context& context, const SalvageArguments& arguments);

using CommandArguments =
    std::variant<std::monostate, StatusArguments, PortsArguments, SetupArguments, BeginArguments, EndArguments,
                 NameArguments, MarkArguments, RunsArguments, SegmentsArguments, SummaryArguments, CompareArguments,
                 TraceArguments, ImportArguments, ExportArguments, DecodeArguments, CaptureArguments, EnterArguments,
                 SplitArguments, PinArguments, CheckArguments, BackupArguments, SalvageArguments, EstimateArguments,
                 ReportArguments, DuringArguments, HistoryArguments, CalibrateArguments, SetArguments, JoinArguments,
                 DropArguments>;

/// Turning words into values. Every error is of kind input and names the option.
[[nodiscard]] Result<double> number_from(std::string_view option, std::string_view word);
[[nodiscard]] Result<double> positive_from(std::string_view option, std::string_view word);
/// 0 or above.
[[nodiscard]] Result<double> not_negative_from(std::string_view option, std::string_view word);
/// A TIME as people say it at `now`: see parse_spoken_time().
[[nodiscard]] Result<UtcTime> time_from(std::string_view option, std::string_view word, UtcTime now);
/// Above 0 and at most 1.
[[nodiscard]] Result<double> share_from(std::string_view option, std::string_view word);
/// Like number_from() and so on, of a word that may not be there.
[[nodiscard]] Result<std::optional<double>> maybe_not_negative(std::string_view option, const MaybeWord& word);
[[nodiscard]] Result<std::optional<double>> maybe_share(std::string_view option, const MaybeWord& word);
[[nodiscard]] Result<std::optional<double>> maybe_positive(std::string_view option, const MaybeWord& word);
[[nodiscard]] Result<std::optional<UtcTime>> maybe_time(std::string_view option, const MaybeWord& word, UtcTime now);
/// What a person says of a run beside its figures.
struct Circumstances {
  std::string note;
  Words includes;                                               ///< what was plugged in
  std::vector<std::pair<std::string, std::string>> conditions;  ///< `battery=full`, each key once
};
/// `--note T`, `--includes adapter,display,keyboard` and every `--set KEY=VALUE`, checked.
[[nodiscard]] Result<Circumstances> circumstances_from(const MaybeWord& note, const MaybeWord& includes,
                                                       const Words& set);

}  // namespace nightwatt::query
