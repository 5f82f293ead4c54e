// What may be changed in a store, a type each. StoreWriter::apply() takes any of them; together they are one
// transaction.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string_view>
#include <variant>

#include "measure/signal/reading.hpp"
#include "measure/signal/time.hpp"
#include "measure/uncertainty/regime.hpp"
#include "storage/stored.hpp"

namespace nightwatt::storage {

// Views and spans must hold until apply() returns.

/// Times must rise within a stream, across calls too; a reading not later than the last is refused (ErrorKind::input).
struct AppendReadings {
  StreamId stream;
  std::span<const Reading> readings;
};
/// The stream of new_import_stream() is complete, and seen from now on.
struct PublishImport {
  StreamId stream;
};
/// From `from` on, whatever was put for later instants before.
struct PutUtcOffset {
  StreamId stream;
  UtcTime from;
  Duration utc_offset;
};

/// A run holds the readings of [begin, end], both included. `samples`: how many, where the caller knows; else they are
/// counted.
struct CloseRun {
  RunId run;
  UtcTime end;
  std::optional<std::int64_t> samples = std::nullopt;
};
struct SetRunSpan {
  RunId run;
  UtcTime begin;
  std::optional<UtcTime> end;
};
/// Adds stretches that became final and replaces the resume mark.
struct SaveRun {
  RunId run;
  std::span<const Regime> new_regimes;
  const ResumeMark& resume;
};
/// Throws away a run's stretches and resume mark, to segment it anew.
struct ClearRunState {
  RunId run;
};
struct NameRun {
  RunId run;
  std::string_view device;
};
struct PinRun {
  RunId run;
  bool pinned;
};
/// In place of the words it had.
struct DescribeRun {
  RunId run;
  const RunWords& words;
};
struct PutEnteredStandby {
  RunId run;
  double watts;
};
/// The run's row, state and marks; readings stay.
struct ForgetRun {
  RunId run;
};

struct RemoveMark {
  std::int64_t id;
};
/// A small named value of the service: resume marks of automatic runs, "running since".
struct PutValue {
  std::string_view name, bytes;
};

/// A mark or an event is put as it is; a mark's own number is the store's.
using Change =
    std::variant<AppendReadings, PublishImport, PutUtcOffset, CloseRun, SetRunSpan, SaveRun, ClearRunState, NameRun,
                 PinRun, DescribeRun, PutEnteredStandby, ForgetRun, Mark, RemoveMark, Event, PutValue>;

}  // namespace nightwatt::storage
