#include <fcntl.h>
#include <spawn.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <boost/asio/buffer.hpp>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <cerrno>
#include <csignal>
#include <cstdlib>
#include <system_error>
#include <utility>

#include "delivery.hpp"
#include "text/printable.hpp"
#include "unix_socket.hpp"

namespace nightwatt::daemon {

namespace asio = boost::asio;
using boost::system::error_code;

namespace {

constexpr std::chrono::milliseconds first_look{10};  // a hook that only passes a line on is over soon
constexpr std::chrono::milliseconds longest_look{100};
constexpr std::size_t heard_limit = 200;  // of what it says: a line of the log

std::string system_text(int number) {
  return std::generic_category().message(number);
}

/// What a program needs to find others and the user's language; nothing of what our service manager told us.
std::vector<std::string> base_environment() {
  std::vector<std::string> result;
  for (const char* name : {"PATH", "HOME", "LANG", "LC_ALL", "TZ", "USER"})
    if (const char* value = std::getenv(name)) result.push_back(std::string(name) + "=" + value);
  return result;
}

std::vector<char*> pointers(const std::vector<std::string>& texts) {
  std::vector<char*> result;
  // posix_spawn(3) takes char*const* and changes nothing.
  for (const std::string& text : texts) result.push_back(const_cast<char*>(text.c_str()));
  result.push_back(nullptr);
  return result;
}

/// A file in memory with the text, at its begin: a program that does not read holds nobody up.
Descriptor input_file(const std::string& text) {
  Descriptor file(::memfd_create("nightwatt-message", MFD_CLOEXEC));
  if (!file.valid()) return file;
  const ssize_t written = ::write(file.get(), text.data(), text.size());
  if (written != static_cast<ssize_t>(text.size()) || ::lseek(file.get(), 0, SEEK_SET) != 0) return Descriptor(-1);
  return file;
}

/// posix_spawn's two objects, released together.
class SpawnSettings {
 public:
  SpawnSettings(int input, int output) {
    ::posix_spawn_file_actions_init(&files_);
    ::posix_spawnattr_init(&attributes_);
    ::posix_spawn_file_actions_adddup2(&files_, input, STDIN_FILENO);
    ::posix_spawn_file_actions_adddup2(&files_, output, STDOUT_FILENO);
    ::posix_spawn_file_actions_adddup2(&files_, output, STDERR_FILENO);
    // Sockets and ports of the service are none of its business.
    ::posix_spawn_file_actions_addclosefrom_np(&files_, STDERR_FILENO + 1);
    sigset_t none, usual;
    ::sigemptyset(&none);
    ::sigemptyset(&usual);
    for (const int signal : {SIGPIPE, SIGTERM, SIGINT, SIGHUP}) ::sigaddset(&usual, signal);
    ::posix_spawnattr_setsigmask(&attributes_, &none);
    ::posix_spawnattr_setsigdefault(&attributes_, &usual);
    ::posix_spawnattr_setpgroup(&attributes_, 0);
    ::posix_spawnattr_setflags(&attributes_, POSIX_SPAWN_SETPGROUP | POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF);
  }
  ~SpawnSettings() {
    ::posix_spawn_file_actions_destroy(&files_);
    ::posix_spawnattr_destroy(&attributes_);
  }
  SpawnSettings(const SpawnSettings&) = delete;
  SpawnSettings& operator=(const SpawnSettings&) = delete;

  [[nodiscard]] Result<pid_t> spawn(const std::vector<std::string>& command,
                                    const std::vector<std::string>& environment) const {
    pid_t pid = -1;
    const int problem = ::posix_spawnp(&pid, command[0].c_str(), &files_, &attributes_, pointers(command).data(),
                                       pointers(environment).data());
    if (problem != 0) return fail(ErrorKind::unusable, "cannot be run: " + system_text(problem));
    return pid;
  }

 private:
  posix_spawn_file_actions_t files_{};
  posix_spawnattr_t attributes_{};
};

/// The program while it runs; kept alive by its own timer until it was reaped.
class Hook final : public Delivery, public std::enable_shared_from_this<Hook> {
 public:
  Hook(asio::io_context& io, Duration limit, Delivered done)
      : limit_(limit), done_(std::move(done)), look_(io), deadline_(io), output_(io) {}

  void start(asio::io_context& io, const std::vector<std::string>& command, const std::string& input,
             std::vector<std::string> environment) {
    if (const auto spawned = spawn(command, input, std::move(environment)); !spawned) {
      asio::post(io, [self = shared_from_this(), why = spawned.error().message] { self->end(why); });
      return;
    }
    listen();
    deadline_.expires_after(limit_);
    deadline_.async_wait([self = shared_from_this()](error_code ec) {
      if (ec) return;
      self->kill_group();
      self->end("not done in its time: killed");
    });
    look_later();
  }

  void cancel() override {
    done_ = nullptr;
    if (pid_ > 0) kill_group();
    let_go();
  }

 private:
  Result<void> spawn(const std::vector<std::string>& command, const std::string& input,
                     std::vector<std::string> environment) {
    const Descriptor file = input_file(input);
    int ends[2] = {-1, -1};
    if (!file.valid() || ::pipe2(ends, O_CLOEXEC) != 0)
      return fail(ErrorKind::unusable, "cannot be run: " + system_text(errno));
    const Descriptor writing(ends[1]);
    ::fcntl(ends[0], F_SETFL, O_NONBLOCK);
    error_code failed;
    output_.assign(ends[0], failed);
    std::vector<std::string> whole = base_environment();
    whole.insert(whole.end(), environment.begin(), environment.end());
    const auto pid = SpawnSettings(file.get(), writing.get()).spawn(command, whole);
    if (!pid) return tl::unexpected(pid.error());
    pid_ = *pid;
    return {};
  }

  // What it says is read as it comes, so that it never waits for us; the begin is kept for the log.
  void listen() {
    output_.async_read_some(asio::buffer(chunk_), [self = shared_from_this()](error_code ec, std::size_t got) {
      if (ec) return;
      const std::size_t room = heard_limit - self->heard_.size();
      self->heard_.append(self->chunk_.data(), std::min(got, room));
      self->listen();
    });
  }

  void look_later() {
    look_.expires_after(look_pause_);
    look_pause_ = std::min(2 * look_pause_, longest_look);
    look_.async_wait([self = shared_from_this()](error_code ec) {
      if (!ec) self->look();
    });
  }

  void look() {
    int status = 0;
    const pid_t reaped = ::waitpid(pid_, &status, WNOHANG);
    if (reaped == 0) return look_later();
    pid_ = -1;
    if (reaped < 0) return end("cannot be waited for: " + system_text(errno));
    if (WIFEXITED(status) && WEXITSTATUS(status) == 0) return end({});
    std::string why = WIFSIGNALED(status) ? "ended by signal " + std::to_string(WTERMSIG(status))
                                          : "exit status " + std::to_string(WEXITSTATUS(status));
    while (!heard_.empty() && (heard_.back() == '\n' || heard_.back() == '\r')) heard_.pop_back();
    if (!heard_.empty()) why += ", saying: " + text::printable(heard_);
    end(std::move(why));
  }

  void end(std::string why) {
    let_go();
    deliver(done_, std::move(why));
  }
  void let_go() {
    deadline_.cancel();
    error_code ignored;
    output_.close(ignored);
  }
  void kill_group() const { ::kill(-pid_, SIGKILL); }

  const Duration limit_;
  Delivered done_;
  pid_t pid_ = -1;
  std::chrono::milliseconds look_pause_{first_look};
  asio::steady_timer look_;
  asio::steady_timer deadline_;
  asio::posix::stream_descriptor output_;
  std::array<char, 512> chunk_{};
  std::string heard_;
};

}  // namespace

std::shared_ptr<Delivery> run_hook(asio::io_context& io, const std::vector<std::string>& command,
                                   const std::string& input, const std::vector<std::string>& environment,
                                   Duration limit, Delivered done) {
  auto hook = std::make_shared<Hook>(io, limit, std::move(done));
  hook->start(io, command, input, environment);
  return hook;
}

}  // namespace nightwatt::daemon
