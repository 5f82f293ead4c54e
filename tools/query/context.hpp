// What every command works with: its options, where its words go, and the ways into the store.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "arguments.hpp"
#include "config/config.hpp"
#include "measure/result.hpp"
#include "measure/time.hpp"
#include "sink.hpp"
#include "storage/store.hpp"
#include "table.hpp"

namespace nightwatt::query {

/// What the process is run in; made by main, or by a test.
struct Environment {
  bool out_is_terminal = false;
  bool err_is_terminal = false;
  bool no_color = false;     ///< NO_COLOR is set
  std::size_t columns = 80;  ///< of the terminal
  std::function<UtcTime()> now;
};

/// One command's world; one thread.
class Context {
 public:
  Context(const GlobalOptions& options, Sink& out_sink, Sink& err_sink, const Environment& environment_of_process);

  Sink& out;
  Sink& err;
  const Environment& environment;
  Style style;
  bool json = false;

  [[nodiscard]] UtcTime now() const { return environment.now(); }

  /// The configuration, read once; nullptr where there is no file and none was asked for.
  [[nodiscard]] Result<const config::ServiceConfig*> configuration();
  /// --store, else the configured path, else the default one.
  [[nodiscard]] Result<std::string> store_path();
  [[nodiscard]] Result<std::string> socket_path();
  [[nodiscard]] Result<storage::StoreReader> open_reader();
  [[nodiscard]] Result<storage::StoreWriter> open_writer();

 private:
  const GlobalOptions& options_;
  bool configuration_read_ = false;
  std::optional<config::ServiceConfig> configuration_;
};

/// RUN: a number or `last`. ErrorKind::negative where there is none.
[[nodiscard]] Result<storage::RunInfo> find_run(const storage::StoreReader& store, std::string_view word);

/// What to add to every time of the run to show it: the calendar as last corrected during the run.
[[nodiscard]] Result<Duration> shown_shift(const storage::StoreReader& store, const storage::RunInfo& run);

/// `run 12 (Gannet board)`, safe to print.
[[nodiscard]] std::string run_text(const storage::RunInfo& run);
/// The device's name, safe to print; empty where it has none.
[[nodiscard]] std::string device_text(const storage::RunInfo& run);

/// Runs `change` in one transaction of the store; nothing of it stays where it fails.
[[nodiscard]] Result<void> in_transaction(storage::StoreWriter& store, const std::function<Result<void>()>& change);

}  // namespace nightwatt::query
