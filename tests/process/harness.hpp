// Drives the real programs in a folder of their own: starts, kills and asks them, and waits for conditions.
#pragma once

#include <sys/types.h>

#include <functional>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

namespace nightwatt::process {

/// A folder that is gone with its contents at the end.
class TempDir {
 public:
  TempDir();
  ~TempDir();
  TempDir(const TempDir&) = delete;
  TempDir& operator=(const TempDir&) = delete;
  [[nodiscard]] std::string path(const std::string& name) const { return path_ + "/" + name; }
  void write(const std::string& name, const std::string& text) const;
  [[nodiscard]] std::string read(const std::string& name) const;

 private:
  std::string path_;
};

/// By how much a sanitizer slows the programs down; 1 without one. Every limit of waiting is stretched by it.
[[nodiscard]] double slowness();
/// True as soon as `condition` holds; false after `limit_s` (times slowness()). Looks every 10 to 100 ms.
[[nodiscard]] bool eventually(double limit_s, const std::function<bool()>& condition);
/// Unix time now, in seconds.
[[nodiscard]] double unix_now_s();

/// A program of ours that runs. Killed and reaped at the end if it still does.
class Program {
 public:
  /// `name` without folder, or another program with its full path; output goes to NAME.out and NAME.err of `dir`,
  /// appended.
  Program(const TempDir& dir, const std::string& name, const std::vector<std::string>& arguments);
  ~Program();
  Program(const Program&) = delete;
  Program& operator=(const Program&) = delete;

  void signal(int number) const;
  [[nodiscard]] pid_t pid() const { return pid_; }
  /// The exit status, 128 + signal if one ended it; none if it still runs after `limit_s` (times slowness()).
  [[nodiscard]] std::optional<int> wait(double limit_s);

 private:
  pid_t pid_ = -1;
  std::optional<int> status_;
};

struct Answer {
  int status = -1;
  std::string out;
  std::string err;
  /// Null where it is no JSON.
  [[nodiscard]] nlohmann::json json() const;
};

/// One line of the simulator's log.
struct SentFrame {
  double simulated_s = 0.0;
  double unix_s = 0.0;
  std::string fate;
  std::map<std::string, std::string> values;
  [[nodiscard]] bool readable() const { return fate == "good" || fate == "twice"; }
};

/// One reading as the store gives it out.
struct StoredReading {
  double unix_s = 0.0;
  std::map<std::string, std::string> values;
};

/// A service with one meter called "bench" in a folder of its own: config, profile, simulator, store.
class Bench {
 public:
  explicit Bench(const std::string& profile, const std::string& meter_settings = "", double flush_s = 1.0);

  /// Plays `script` on the meter's port; returns when the port is there.
  void start_meter(const std::string& script, double speed, const std::vector<std::string>& more = {});
  void stop_meter() { meter_.reset(); }
  [[nodiscard]] Program& meter() { return *meter_; }
  /// Returns when the service answers on its socket.
  void start_service();
  [[nodiscard]] Program& service() { return *service_; }
  /// kill -9, reaped.
  void kill_service();
  /// SIGTERM; the exit status, none if it needed longer than the contract's 2 s.
  [[nodiscard]] std::optional<int> stop_service();

  /// nightwatt with the bench's config.
  [[nodiscard]] Answer ask(const std::vector<std::string>& arguments) const;
  [[nodiscard]] nlohmann::json ask_json(std::vector<std::string> arguments) const;
  /// Readings of the meter counted by the service since its start; -1 when down.
  [[nodiscard]] long readings() const;
  [[nodiscard]] std::string meter_state() const;
  [[nodiscard]] std::vector<SentFrame> sent() const;
  [[nodiscard]] double simulated_s() const;
  /// All readings of the meter, by the query tool.
  [[nodiscard]] std::vector<StoredReading> stored() const;
  /// SQLite's own word on the store: "ok".
  [[nodiscard]] std::string integrity() const;
  /// What the service has said so far.
  [[nodiscard]] std::string log() const { return dir_.read("nightwattd.out") + dir_.read("nightwattd.err"); }
  [[nodiscard]] const TempDir& dir() const { return dir_; }
  [[nodiscard]] std::string config() const { return dir_.path("nightwatt.toml"); }
  [[nodiscard]] std::string store() const { return dir_.path("night.db"); }

 private:
  TempDir dir_;
  std::unique_ptr<Program> meter_;
  std::unique_ptr<Program> service_;
};

/// Runs a program of ours, or one with its full path, to its end; killed after `limit_s`.
[[nodiscard]] Answer run(const TempDir& dir, const std::string& name, const std::vector<std::string>& arguments,
                         double limit_s = 20.0);

/// A text-line meter, csv with a checksum: line number, power, voltage, energy. `interval_s` is simulated time.
[[nodiscard]] std::string line_profile(double interval_s = 1.0);
/// A Modbus meter asked every `interval_s`, its float registers in one piece.
[[nodiscard]] std::string modbus_profile(double interval_s);

}  // namespace nightwatt::process
