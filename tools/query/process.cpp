#include "process.hpp"

#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <chrono>
#include <cmath>
#include <csignal>
#include <cstring>

namespace nightwatt::query {
namespace {

constexpr std::array held = {SIGINT, SIGTERM, SIGHUP};
constexpr int not_found = 127, not_executable = 126;

sigset_t set_of_held(bool with_child) {
  sigset_t set;
  sigemptyset(&set);
  for (const int number : held) sigaddset(&set, number);
  if (with_child) sigaddset(&set, SIGCHLD);
  return set;
}

/// Nothing here but what may be called between fork and exec.
[[noreturn]] void become(char* const* words, bool out_to_err) {
  const sigset_t set = set_of_held(true);
  sigprocmask(SIG_UNBLOCK, &set, nullptr);
  if (out_to_err) ::dup2(STDERR_FILENO, STDOUT_FILENO);
  ::execvp(words[0], words);
  ::_exit(errno == ENOENT ? not_found : not_executable);
}

int status_of(int state) {
  return WIFSIGNALED(state) ? 128 + WTERMSIG(state) : WEXITSTATUS(state);
}

}  // namespace

HeldSignals::HeldSignals() {
  const sigset_t set = set_of_held(true);  // a child's end too, so that it can be waited for beside the others
  sigprocmask(SIG_BLOCK, &set, nullptr);
}

HeldSignals::~HeldSignals() {
  const sigset_t set = set_of_held(true);
  sigprocmask(SIG_UNBLOCK, &set, nullptr);
}

std::optional<int> HeldSignals::wait(double seconds) const {
  const sigset_t set = set_of_held(false);
  const auto until = std::chrono::steady_clock::now() + std::chrono::duration<double>(seconds);
  for (;;) {
    const double left = std::chrono::duration<double>(until - std::chrono::steady_clock::now()).count();
    if (left <= 0.0) return std::nullopt;
    timespec time{};
    time.tv_sec = static_cast<time_t>(left);
    time.tv_nsec = static_cast<long>((left - std::floor(left)) * 1e9);
    const int number = sigtimedwait(&set, nullptr, &time);
    if (number > 0) return number;
  }
}

Result<Ended> run_child(const HeldSignals& /*signals*/, const std::vector<std::string>& words, bool out_to_err) {
  std::vector<std::string> copies = words;
  std::vector<char*> pointers;
  for (std::string& word : copies) pointers.push_back(word.data());
  pointers.push_back(nullptr);
  const auto begin = std::chrono::steady_clock::now();
  const pid_t child = ::fork();
  if (child < 0)
    return fail(ErrorKind::unusable, std::string("the command cannot be started: ") + std::strerror(errno));
  if (child == 0) become(pointers.data(), out_to_err);
  Ended ended;
  const sigset_t set = set_of_held(true);
  for (;;) {
    int state = 0;
    const pid_t got = ::waitpid(child, &state, WNOHANG);
    if (got == child) {
      ended.status = status_of(state);
      ended.seconds = std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();
      return ended;
    }
    if (got < 0 && errno != EINTR)
      return fail(ErrorKind::unusable, std::string("the command cannot be waited for: ") + std::strerror(errno));
    siginfo_t info{};
    const int number = sigwaitinfo(&set, &info);
    if (number <= 0 || number == SIGCHLD) continue;
    ended.interrupted = number;
    // What the terminal sends, the child was sent too.
    if (info.si_code != SI_KERNEL) ::kill(child, number);
  }
}

std::string shell_text(const std::vector<std::string>& words) {
  std::string text;
  for (const std::string& word : words) {
    if (!text.empty()) text += ' ';
    text += '\'';
    for (const char c : word) {
      if (c == '\'')
        text += "'\\''";
      else
        text += c;
    }
    text += '\'';
  }
  return text;
}

}  // namespace nightwatt::query
