#include "console.hpp"

#include <poll.h>
#include <sys/ioctl.h>
#include <sys/signalfd.h>
#include <termios.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <chrono>

namespace nightwatt::query {
namespace {

using Steady = std::chrono::steady_clock;

// The alternate screen, without a cursor; and back (ECMA-48 and its common private modes).
constexpr std::string_view take_screen = "\x1b[?1049h\x1b[?25l";
constexpr std::string_view give_screen_back = "\x1b[0m\x1b[?25h\x1b[?1049l";
/// Fits what a terminal that says it is ready takes without blocking (Linux: 256 characters).
constexpr std::size_t chunk = 256;
/// For the way out: a line that takes nothing must not hold a program that was told to end.
constexpr int last_words_ms = 500;
constexpr std::array watched = {SIGINT, SIGTERM, SIGHUP, SIGQUIT, SIGWINCH, SIGTSTP};

sigset_t watched_set() {
  sigset_t set;
  ::sigemptyset(&set);
  for (const int signal : watched) ::sigaddset(&set, signal);
  return set;
}

}  // namespace

struct Terminal::Saved {
  termios keys{};
  bool keys_known = false;
  sigset_t signals{};
};

Terminal::Terminal(int in, int out) : in_(in), out_(out), interactive_(::isatty(in) == 1 && ::isatty(out) == 1) {}

Terminal::~Terminal() {
  leave();
}

ScreenSize Terminal::size() const {
  winsize size{};
  if (::ioctl(out_, TIOCGWINSZ, &size) == 0 && size.ws_col > 0 && size.ws_row > 0) return {size.ws_col, size.ws_row};
  return {};
}

void Terminal::enter() {
  if (!interactive_ || saved_ != nullptr) return;
  saved_ = new Saved;
  saved_->keys_known = ::tcgetattr(in_, &saved_->keys) == 0;
  const sigset_t set = watched_set();
  ::sigprocmask(SIG_BLOCK, &set, &saved_->signals);
  signals_ = ::signalfd(-1, &set, SFD_CLOEXEC | SFD_NONBLOCK);
  set_up();
}

void Terminal::leave() {
  if (saved_ == nullptr) return;
  unsent_.clear();
  put_back();
  if (signals_ >= 0) ::close(signals_);
  signals_ = -1;
  ::sigprocmask(SIG_SETMASK, &saved_->signals, nullptr);
  delete saved_;
  saved_ = nullptr;
}

void Terminal::set_up() {
  if (saved_->keys_known) {
    termios keys = saved_->keys;
    keys.c_lflag &= ~static_cast<tcflag_t>(ICANON | ECHO);
    keys.c_cc[VMIN] = 1;
    keys.c_cc[VTIME] = 0;
    ::tcsetattr(in_, TCSANOW, &keys);
  }
  send(take_screen);
}

// Straight to the terminal: what was queued is of no use any more.
void Terminal::put_back() {
  pollfd ready{out_, POLLOUT, 0};
  if (!gone_ && ::poll(&ready, 1, last_words_ms) == 1 && (ready.revents & POLLOUT) != 0) {
    const ssize_t ignored = ::write(out_, give_screen_back.data(), give_screen_back.size());
    (void)ignored;
  }
  if (saved_->keys_known) ::tcsetattr(in_, TCSANOW, &saved_->keys);
}

// Ctrl-Z: the shell gets its terminal back, and fg brings the view back.
void Terminal::suspend() {
  unsent_.clear();
  put_back();
  ::kill(::getpid(), SIGSTOP);
  set_up();
}

std::optional<Console::Event> Terminal::take_signal() {
  signalfd_siginfo info{};
  if (::read(signals_, &info, sizeof info) != static_cast<ssize_t>(sizeof info)) return std::nullopt;
  const int number = static_cast<int>(info.ssi_signo);
  if (number == SIGTSTP) suspend();
  // After a stop the screen is another's: drawn anew, as after a change of size.
  if (number == SIGWINCH || number == SIGTSTP) return Event{What::resized, 0, 0};
  return Event{What::stop, 0, number};
}

std::optional<Console::Event> Terminal::take_key() {
  char key = 0;
  const ssize_t got = ::read(in_, &key, 1);
  if (got == 1) return Event{What::key, key, 0};
  if (got < 0 && (errno == EAGAIN || errno == EINTR)) return std::nullopt;
  gone_ = true;
  return Event{What::stop, 0, 0};
}

void Terminal::send_some() {
  const ssize_t sent = ::write(out_, unsent_.data(), std::min(unsent_.size(), chunk));
  if (sent > 0) unsent_.erase(0, static_cast<std::size_t>(sent));
  if (sent < 0 && errno != EAGAIN && errno != EINTR) gone_ = true;
}

Console::Event Terminal::wait(Duration most) {
  const auto until = Steady::now() + most;
  // The output is watched without anything to send too: whoever read it may be gone.
  while (!gone_) {
    const auto left = std::chrono::ceil<std::chrono::milliseconds>(until - Steady::now()).count();
    if (left <= 0) return {};
    std::array<pollfd, 3> entries = {pollfd{signals_, POLLIN, 0}, pollfd{saved_ != nullptr ? in_ : -1, POLLIN, 0},
                                     pollfd{out_, static_cast<short>(unsent_.empty() ? 0 : POLLOUT), 0}};
    if (::poll(entries.data(), entries.size(), static_cast<int>(left)) <= 0) continue;
    if (entries[0].revents != 0)
      if (const auto event = take_signal()) return *event;
    if (entries[1].revents != 0)
      if (const auto event = take_key()) return *event;
    if ((entries[2].revents & POLLOUT) != 0)
      send_some();
    else if (entries[2].revents != 0)
      gone_ = true;
  }
  return {What::stop, 0, 0};
}

}  // namespace nightwatt::query
