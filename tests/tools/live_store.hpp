// A store such as the service leaves it, in a folder of its own with a configuration, for tests of the query tool.
#pragma once

#include <string>
#include <vector>

#include "storage/store.hpp"
#include "tools/query/run_command.hpp"

namespace nightwatt::test {

/// 2026-01-05T21:00:00Z.
inline constexpr UtcTime evening{1'767'646'800'000'000};

/// Gone at the end. The tool's clock is what `now` says.
class LiveStore {
 public:
  LiveStore();
  ~LiveStore();
  LiveStore(const LiveStore&) = delete;
  LiveStore& operator=(const LiveStore&) = delete;

  UtcTime now = evening;

  [[nodiscard]] std::string path(const std::string& name) const { return folder_ + "/" + name; }
  std::string write(const std::string& name, const std::string& text) const;
  /// Appends a reading of the meter.
  void record(const std::string& meter, UtcTime at, double power_w);
  /// Configures these meters, on ports that are not there; `more` is of their profile, before its tables.
  void configure(const std::vector<std::string>& meters, const std::string& more = "") const;

  struct Answer {
    int status = 0;
    std::string out;
    std::string err;
  };
  [[nodiscard]] Answer ask(std::vector<std::string> words) const;
  /// The same where a command waits: `now` goes on by what it waits for, and none of it is waited for really.
  [[nodiscard]] Answer ask_and_wait(std::vector<std::string> words);

 private:
  [[nodiscard]] Answer ask_in(std::vector<std::string> words, const query::Environment& environment) const;

  std::string folder_;
};

}  // namespace nightwatt::test
