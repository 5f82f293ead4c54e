// What every command works with: its options, where its words go, and the ways into the store.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "arguments.hpp"
#include "config/config.hpp"
#include "figures/runs.hpp"
#include "measure/signal/result.hpp"
#include "measure/signal/time.hpp"
#include "storage/store.hpp"
#include "table.hpp"
#include "text/json_text.hpp"
#include "text/sink.hpp"

namespace nightwatt::query {

using namespace figures;  // what a command speaks of
using text::exact_text;
using text::JsonWriter;

class Console;

/// What becomes of a store that is not there when it is to be written: only a command that brings data makes one.
enum class WhereMissing : std::uint8_t { refuse, make };

/// What the process is run in; made by main, or by a test.
struct Environment {
  bool out_is_terminal = false;
  bool err_is_terminal = false;
  bool no_color = false;     ///< NO_COLOR is set
  std::size_t columns = 80;  ///< of the terminal
  std::function<UtcTime()> now;
  std::function<void(double)> pass;  ///< lets so many seconds pass where time is not the real one; none: it is
  Console* console = nullptr;        ///< for what goes on until one has seen enough; none: it cannot
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

  /// The same world with another place for the answer.
  [[nodiscard]] Context answering_to(Sink& other) const { return {options_, other, err, environment}; }

  [[nodiscard]] UtcTime now() const { return environment.now(); }

  /// The configuration, read once; nullptr where there is no file and none was asked for.
  [[nodiscard]] Result<const config::ServiceConfig*> configuration();
  /// The same without the meters' profiles, which who only asks may have no right to read.
  [[nodiscard]] Result<const config::ServiceConfig*> places();
  /// --store, else the configured path, else the default one.
  [[nodiscard]] Result<std::string> store_path();
  [[nodiscard]] Result<std::string> socket_path();
  /// Whether the service is asked to change the store, since it is the configured one: not with --store.
  [[nodiscard]] bool service_may_serve() const { return !options_.store; }
  [[nodiscard]] Result<storage::StoreReader> open_reader();
  [[nodiscard]] Result<storage::StoreWriter> open_writer(WhereMissing missing = WhereMissing::refuse);

 private:
  const GlobalOptions& options_;
  bool configuration_read_ = false;
  std::optional<config::ServiceConfig> configuration_;
  bool places_read_ = false;
  std::optional<config::ServiceConfig> places_;
};

/// Runs `change` in one transaction of the store; nothing of it stays where it fails.
[[nodiscard]] Result<void> in_transaction(storage::StoreWriter& store, const std::function<Result<void>()>& change);

}  // namespace nightwatt::query
