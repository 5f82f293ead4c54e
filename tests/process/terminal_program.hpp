// One of our programs on a terminal: what it shows, what is typed, its window's size and its hanging up.
#pragma once

#include <sys/types.h>
#include <termios.h>

#include <cstddef>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "harness.hpp"
#include "tests/virtual_screen.hpp"

namespace nightwatt::process {

/// Killed and reaped at the end if it still runs.
class TerminalProgram {
 public:
  TerminalProgram(const std::string& name, const std::vector<std::string>& arguments, std::size_t columns = 80,
                  std::size_t rows = 24);
  ~TerminalProgram();
  TerminalProgram(const TerminalProgram&) = delete;
  TerminalProgram& operator=(const TerminalProgram&) = delete;

  void type(std::string_view keys) const;
  void resize(std::size_t columns, std::size_t rows);
  void signal(int number) const;
  /// The terminal goes away.
  void hang_up();
  /// Takes what it has sent by now, at most so many bytes.
  void read(std::size_t most = 1'000'000);
  /// Reads until the screen shows this; false after `limit_s`.
  [[nodiscard]] bool shows(std::string_view text, double limit_s);
  /// Reads until all that was ever sent holds this.
  [[nodiscard]] bool says(std::string_view text, double limit_s);
  /// Reads until it ends; its exit status, 128 + signal if one ended it.
  [[nodiscard]] std::optional<int> wait(double limit_s);

  [[nodiscard]] const test::VirtualScreen& screen() const { return screen_; }
  [[nodiscard]] const std::string& sent() const { return sent_; }
  /// The terminal's own settings are as the program found them.
  [[nodiscard]] bool restored() const;

 private:
  int master_ = -1;
  pid_t pid_ = -1;
  std::optional<int> status_;
  termios before_{};
  test::VirtualScreen screen_;
  std::string sent_;
};

}  // namespace nightwatt::process
