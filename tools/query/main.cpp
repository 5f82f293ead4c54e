// The query tool's process: its streams, its terminal, its clock.
#include <sys/ioctl.h>
#include <unistd.h>

#include <chrono>
#include <cstdlib>
#include <new>
#include <vector>

#include "console.hpp"
#include "run_command.hpp"

namespace {

std::size_t terminal_columns() {
  winsize size{};
  if (::ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_col >= 20) return size.ws_col;
  return 80;
}

nightwatt::query::Environment environment_of_process() {
  nightwatt::query::Environment environment;
  environment.out_is_terminal = ::isatty(STDOUT_FILENO) == 1;
  environment.err_is_terminal = ::isatty(STDERR_FILENO) == 1;
  const char* no_color = std::getenv("NO_COLOR");
  const char* term = std::getenv("TERM");
  environment.no_color =
      (no_color != nullptr && *no_color != '\0') || (term != nullptr && std::string_view(term) == "dumb");
  environment.columns = terminal_columns();
  environment.now = [] {
    return nightwatt::UtcTime{
        std::chrono::duration_cast<std::chrono::microseconds>(std::chrono::system_clock::now().time_since_epoch())
            .count()};
  };
  return environment;
}

}  // namespace

int main(int argc, char** argv) {
  const std::vector<std::string> words(argv + 1, argv + argc);
  nightwatt::query::Sink out(STDOUT_FILENO);
  nightwatt::query::Sink err(STDERR_FILENO);
  nightwatt::query::Terminal terminal(STDIN_FILENO, STDOUT_FILENO);
  auto environment = environment_of_process();
  environment.console = &terminal;
  return nightwatt::query::run_command(words, out, err, environment);
}
