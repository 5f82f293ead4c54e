#include "terminal_program.hpp"

#include <fcntl.h>
#include <pty.h>
#include <sys/ioctl.h>
#include <sys/wait.h>
#include <unistd.h>
#include <utmp.h>

#include <algorithm>
#include <array>
#include <csignal>
#include <cstdlib>
#include <cstring>
#include <stdexcept>

namespace nightwatt::process {
namespace {

winsize window(std::size_t columns, std::size_t rows) {
  winsize size{};
  size.ws_col = static_cast<unsigned short>(columns);
  size.ws_row = static_cast<unsigned short>(rows);
  return size;
}

}  // namespace

TerminalProgram::TerminalProgram(const std::string& name, const std::vector<std::string>& arguments,
                                 std::size_t columns, std::size_t rows)
    : screen_(columns, rows) {
  const std::string program = std::string(NIGHTWATT_BIN_DIR) + "/" + name;
  std::vector<char*> argv = {const_cast<char*>(program.c_str())};
  for (const std::string& argument : arguments) argv.push_back(const_cast<char*>(argument.c_str()));
  argv.push_back(nullptr);
  winsize size = window(columns, rows);
  int slave = -1;
  if (::openpty(&master_, &slave, nullptr, nullptr, &size) != 0) throw std::runtime_error("no pseudo-terminal");
  ::tcgetattr(slave, &before_);
  pid_ = ::fork();
  if (pid_ < 0) throw std::runtime_error("fork failed");
  if (pid_ == 0) {
    ::close(master_);
    ::login_tty(slave);
    ::setenv("TERM", "xterm", 1);
    ::execv(program.c_str(), argv.data());
    ::_exit(127);
  }
  ::close(slave);
  ::fcntl(master_, F_SETFL, O_NONBLOCK);
  ::fcntl(master_, F_SETFD, FD_CLOEXEC);
}

TerminalProgram::~TerminalProgram() {
  if (!status_) {
    ::kill(pid_, SIGKILL);
    ::waitpid(pid_, nullptr, 0);
  }
  if (master_ >= 0) ::close(master_);
}

void TerminalProgram::type(std::string_view keys) const {
  const ssize_t written = ::write(master_, keys.data(), keys.size());
  if (written != static_cast<ssize_t>(keys.size())) throw std::runtime_error("the terminal takes no keys");
}

void TerminalProgram::resize(std::size_t columns, std::size_t rows) {
  const winsize size = window(columns, rows);
  screen_.resize(columns, rows);
  ::ioctl(master_, TIOCSWINSZ, &size);
}

void TerminalProgram::signal(int number) const {
  ::kill(pid_, number);
}

void TerminalProgram::hang_up() {
  ::close(master_);
  master_ = -1;
}

void TerminalProgram::read(std::size_t most) {
  std::array<char, 4096> chunk{};
  while (most > 0 && master_ >= 0) {
    const ssize_t got = ::read(master_, chunk.data(), std::min(most, chunk.size()));
    if (got <= 0) return;
    sent_.append(chunk.data(), static_cast<std::size_t>(got));
    screen_.feed({chunk.data(), static_cast<std::size_t>(got)});
    most -= static_cast<std::size_t>(got);
  }
}

bool TerminalProgram::shows(std::string_view text, double limit_s) {
  return eventually(limit_s, [&] {
    read();
    return screen_.shows(text);
  });
}

bool TerminalProgram::says(std::string_view text, double limit_s) {
  return eventually(limit_s, [&] {
    read();
    return sent_.find(text) != std::string::npos;
  });
}

std::optional<int> TerminalProgram::wait(double limit_s) {
  (void)eventually(limit_s, [this] {
    int raw = 0;
    read();
    if (!status_ && ::waitpid(pid_, &raw, WNOHANG) == pid_)
      status_ = WIFEXITED(raw) ? WEXITSTATUS(raw) : 128 + WTERMSIG(raw);
    return status_.has_value();
  });
  read();
  return status_;
}

bool TerminalProgram::restored() const {
  termios now{};
  return ::tcgetattr(master_, &now) == 0 && now.c_lflag == before_.c_lflag && now.c_iflag == before_.c_iflag &&
         now.c_oflag == before_.c_oflag;
}

}  // namespace nightwatt::process
