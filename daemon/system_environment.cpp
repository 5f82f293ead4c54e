#include "daemon/system_environment.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <boost/asio/error.hpp>
#include <boost/asio/executor_work_guard.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/signal_set.hpp>
#include <boost/asio/steady_timer.hpp>
#include <cerrno>
#include <system_error>
#include <thread>
#include <utility>

#include "control_server.hpp"
#include "daemon/machine_clock.hpp"
#include "daemon/status_page.hpp"
#include "drivers/port.hpp"
#include "drivers/tcp_port.hpp"
#include "notifier.hpp"

namespace nightwatt::daemon {

namespace asio = boost::asio;
using boost::system::error_code;
using Descriptor = asio::posix::stream_descriptor;

namespace {

/// What a call that is waited for holds weakly: it is not made once the owner is gone or has thought better of it.
using Pass = std::shared_ptr<char>;

class SystemTimer final : public Timer {
 public:
  explicit SystemTimer(asio::io_context& io) : timer_(io) {}

  void start(Duration after, std::function<void()> call) override {
    pass_ = std::make_shared<char>();
    timer_.expires_after(after);
    timer_.async_wait([pass = std::weak_ptr(pass_), call = std::move(call)](error_code ec) {
      if (const Pass held = pass.lock(); held && !ec) call();
    });
  }
  void cancel() override {
    pass_.reset();
    timer_.cancel();
  }

 private:
  asio::steady_timer timer_;
  Pass pass_;
};

class SystemPort final : public Port {
 public:
  SystemPort(asio::io_context& io, OpenedPort opened) : descriptor_(io), opened_(std::move(opened)) {}

  // Asio closes what it is given, and the keeper closes its own.
  [[nodiscard]] std::string take_descriptor() {
    const int copy = ::fcntl(opened_.descriptor, F_DUPFD_CLOEXEC, 0);
    if (copy < 0) return std::generic_category().message(errno);
    error_code failed;
    descriptor_.assign(copy, failed);
    if (failed) {
      ::close(copy);
      return failed.message();
    }
    descriptor_.native_non_blocking(true, failed);
    return {};
  }

  [[nodiscard]] const std::string& where() const override { return opened_.where; }
  void wait_readable(std::function<void(const std::string&)> call) override {
    wait(Descriptor::wait_read, std::move(call));
  }
  void wait_writable(std::function<void(const std::string&)> call) override {
    wait(Descriptor::wait_write, std::move(call));
  }
  std::ptrdiff_t read(std::span<std::byte> into) override {
    const ssize_t got = ::read(descriptor_.native_handle(), into.data(), into.size());
    return got < 0 ? -errno : got;
  }
  std::ptrdiff_t write(std::span<const std::byte> bytes) override {
    const ssize_t written = ::write(descriptor_.native_handle(), bytes.data(), bytes.size());
    return written < 0 ? -errno : written;
  }
  [[nodiscard]] bool all_sent() override { return drivers::all_sent(descriptor_.native_handle()); }
  [[nodiscard]] bool connecting() const override { return opened_.connecting; }
  [[nodiscard]] std::string connect_trouble() override { return drivers::connect_error(descriptor_.native_handle()); }
  [[nodiscard]] std::string set_line(const LineSettings& line) override {
    const auto changed = drivers::change_line(descriptor_.native_handle(), line);
    return changed ? std::string() : changed.error().message;
  }

 private:
  void wait(Descriptor::wait_type what, std::function<void(const std::string&)> call) {
    descriptor_.async_wait(what, [pass = std::weak_ptr(pass_), call = std::move(call)](error_code ec) {
      const Pass held = pass.lock();
      if (held && ec != asio::error::operation_aborted) call(ec ? ec.message() : std::string());
    });
  }

  Descriptor descriptor_;
  OpenedPort opened_;
  Pass pass_ = std::make_shared<char>();
};

class SystemWorker final : public Worker {
 public:
  explicit SystemWorker(Work& work)
      : thread_([&work] {
          do work.wait();
          while (work.round());
        }) {}
  ~SystemWorker() override { join(); }
  SystemWorker(const SystemWorker&) = delete;
  SystemWorker& operator=(const SystemWorker&) = delete;
  void wake() override {}  // the work's own wait() is woken where it waits
  void join() override {
    if (thread_.joinable()) thread_.join();
  }

 private:
  std::thread thread_;
};

class SystemEnvironment final : public Environment {
 public:
  explicit SystemEnvironment(PortOpener open_port) : open_port_(std::move(open_port)), io_(1), signals_(io_) {}

  [[nodiscard]] const Clock& clock() const override { return clock_; }
  [[nodiscard]] std::unique_ptr<Timer> timer() override { return std::make_unique<SystemTimer>(io_); }
  [[nodiscard]] PortResult open_port(const config::MeterConfig& meter) override {
    auto opened = open_port_(meter);
    if (!opened) return tl::unexpected(opened.error());
    auto port = std::make_unique<SystemPort>(io_, std::move(*opened));
    if (const std::string why = port->take_descriptor(); !why.empty())
      return tl::unexpected(PortTrouble{"failed", "cannot wait on the port: " + why});
    return port;
  }
  [[nodiscard]] std::unique_ptr<Worker> start_worker(Work& work) override {
    return std::make_unique<SystemWorker>(work);
  }
  [[nodiscard]] std::unique_ptr<ControlDoor> control_door(ControlDoor::Handler handler) override {
    return std::make_unique<ControlServer>(io_, std::move(handler));
  }
  [[nodiscard]] std::unique_ptr<Notifying> notifying(LogSink log) override {
    return std::make_unique<Notifier>(clock_, std::move(log));
  }
  [[nodiscard]] std::unique_ptr<Showing> showing(PageParts parts) override {
    return std::make_unique<StatusPage>(std::move(parts));
  }
  void watch_signals(const std::vector<int>& signals, std::function<void(int)> call) override {
    for (const int signal : signals) signals_.add(signal);
    signal_call_ = std::move(call);
    wait_for_signal();
  }
  void post(std::function<void()> call) override { asio::post(io_, std::move(call)); }
  void run(const std::function<bool()>& done) override {
    const auto work = asio::make_work_guard(io_);
    while (!done()) io_.run_one();
  }
  void run_ready() override { io_.poll(); }

 private:
  void wait_for_signal() {
    signals_.async_wait([this](error_code ec, int signal) {
      if (ec) return;
      signal_call_(signal);
      wait_for_signal();
    });
  }

  MachineClock clock_;
  PortOpener open_port_;
  asio::io_context io_;
  asio::signal_set signals_;
  std::function<void(int)> signal_call_;
};

}  // namespace

std::unique_ptr<Environment> make_system_environment(PortOpener open_port) {
  return std::make_unique<SystemEnvironment>(std::move(open_port));
}

}  // namespace nightwatt::daemon
