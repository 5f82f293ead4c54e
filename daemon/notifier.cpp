#include "notifier.hpp"

#include <algorithm>
#include <boost/asio/executor_work_guard.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <csignal>
#include <optional>
#include <string>
#include <thread>
#include <utility>

#include "daemon/notification_queue.hpp"
#include "daemon/repeat_limiter.hpp"
#include "delivery.hpp"
#include "text/printable.hpp"

namespace nightwatt::daemon {

namespace asio = boost::asio;
using boost::system::error_code;

namespace {

std::string receiver_name(const config::NotificationConfig& receiver) {
  if (!receiver.webhook) return text::printable(receiver.command[0]);
  return "http://" + receiver.webhook->host + ":" + std::to_string(receiver.webhook->port);
}

std::string more_like_it(std::uint64_t swallowed) {
  return swallowed == 0 ? std::string() : " (" + std::to_string(swallowed) + " more like it since the last line)";
}

/// One receiver and what it is still to be told.
struct Receiver {
  Receiver(asio::io_context& io, config::NotificationConfig settings)
      : config(std::move(settings)), queue(config.tries), timer(io) {}
  config::NotificationConfig config;
  NotificationQueue queue;
  asio::steady_timer timer;
  std::shared_ptr<Delivery> delivery;
  RepeatLimiter told_lines, failed_lines, given_up_lines;
  bool gone = false;  ///< the config no longer has it
};

}  // namespace

class Notifier::Impl {
 public:
  Impl(const Clock& clock, LogSink log) : clock_(clock), log_(std::move(log)) {}

  void configure(const std::vector<config::NotificationConfig>& fresh) {
    if (!thread_.joinable()) {
      if (fresh.empty()) return;
      start_thread();
    }
    asio::post(*io_, [this, fresh] { change(fresh); });
  }

  void tell(std::optional<std::size_t> only, NotificationMessage message) {
    if (!running_) return;
    if (handed_over_.fetch_add(1) >= handed_over_limit) {
      --handed_over_;
      ++given_up_;
      return;
    }
    asio::post(*io_, [this, only, message = std::move(message)] {
      --handed_over_;
      for (std::size_t i = 0; i < receivers_.size(); ++i)
        if (!only || *only == i) take(receivers_[i], message);
    });
  }

  [[nodiscard]] NotificationCounts counts() const { return {told_, failed_, given_up_, waiting_}; }

  void stop() {
    running_ = false;
    if (!thread_.joinable()) return;
    asio::post(*io_, [this] {
      change({});
      io_->stop();
    });
    thread_.join();
  }

 private:
  // Signals are the loop thread's; SIGPIPE is ignored by the whole program.
  void start_thread() {
    sigset_t all, before;
    ::sigfillset(&all);
    ::pthread_sigmask(SIG_SETMASK, &all, &before);
    running_ = true;
    thread_ = std::thread([io = io_] {
      const auto work = asio::make_work_guard(*io);
      io->run();
    });
    ::pthread_sigmask(SIG_SETMASK, &before, nullptr);
  }

  void change(const std::vector<config::NotificationConfig>& fresh) {
    std::vector<std::shared_ptr<Receiver>> kept;
    for (const config::NotificationConfig& config : fresh) {
      const auto same = std::find_if(receivers_.begin(), receivers_.end(), [&](const auto& receiver) {
        return receiver->config == config && std::find(kept.begin(), kept.end(), receiver) == kept.end();
      });
      kept.push_back(same != receivers_.end() ? *same : std::make_shared<Receiver>(*io_, config));
    }
    for (const auto& receiver : receivers_)
      if (std::find(kept.begin(), kept.end(), receiver) == kept.end()) let_go(*receiver);
    receivers_ = std::move(kept);
  }

  void let_go(Receiver& receiver) {
    receiver.gone = true;
    receiver.timer.cancel();
    if (receiver.delivery) receiver.delivery->cancel();
    if (const std::size_t left = receiver.queue.size(); left > 0) {
      waiting_ -= left;
      given_up_ += left;
      log_(LogLevel::warning, "tell " + receiver_name(receiver.config) + ": " + std::to_string(left) +
                                  " message(s) were still to be told and are dropped");
    }
  }

  void take(const std::shared_ptr<Receiver>& receiver, const NotificationMessage& message) {
    if (!receiver->config.events[static_cast<std::size_t>(message.kind)]) return;
    const MonoTime now = clock_.monotonic();
    if (!receiver->queue.push(message, now)) {
      ++given_up_;
      if (const auto swallowed = receiver->given_up_lines.admit(now))
        log_(LogLevel::error, "tell " + receiver_name(receiver->config) + ": " +
                                  std::to_string(NotificationQueue::limit) +
                                  " messages wait already, one more is dropped" + more_like_it(*swallowed));
      return;
    }
    ++waiting_;
    go_on(receiver);
  }

  void go_on(const std::shared_ptr<Receiver>& receiver) {
    const auto due = receiver->queue.due();
    if (!due || receiver->gone) return;
    receiver->timer.expires_after(std::max(*due - clock_.monotonic(), Duration(0)));
    receiver->timer.async_wait([this, receiver](error_code ec) {
      if (!ec && !receiver->gone && receiver->queue.due()) begin_try(receiver);
    });
  }

  void begin_try(const std::shared_ptr<Receiver>& receiver) {
    const NotificationMessage& message = receiver->queue.start();
    const config::NotificationConfig& config = receiver->config;
    const auto limit = to_duration({config.timeout_s});
    auto done = [this, receiver](const std::string& why) { end_try(receiver, why); };
    receiver->delivery = config.webhook ? post_webhook(io_, *config.webhook, notification_json(message), limit,
                                                       lookups_, std::move(done))
                                        : run_hook(*io_, config.command, notification_json(message),
                                                   tell_environment(message), limit, std::move(done));
  }

  void end_try(const std::shared_ptr<Receiver>& receiver, const std::string& why) {
    receiver->delivery.reset();
    const MonoTime now = clock_.monotonic();
    const NotificationQueue::Outcome outcome = receiver->queue.finish(why.empty(), now);
    if (!why.empty()) ++failed_;
    if (outcome == NotificationQueue::Outcome::told) ++told_;
    if (outcome == NotificationQueue::Outcome::given_up) ++given_up_;
    if (outcome != NotificationQueue::Outcome::again) --waiting_;
    say(*receiver, outcome, why, now);
    go_on(receiver);
  }

  void say(Receiver& receiver, NotificationQueue::Outcome outcome, const std::string& why, MonoTime now) {
    const bool told = outcome == NotificationQueue::Outcome::told;
    const bool given_up = outcome == NotificationQueue::Outcome::given_up;
    RepeatLimiter& lines = told ? receiver.told_lines : given_up ? receiver.given_up_lines : receiver.failed_lines;
    const auto swallowed = lines.admit(now);
    if (!swallowed) return;
    const std::string what = told       ? "told"
                             : given_up ? "given up after " + std::to_string(receiver.config.tries) + " tries: " + why
                                        : "not told, will be tried again: " + why;
    log_(told       ? LogLevel::info
         : given_up ? LogLevel::error
                    : LogLevel::warning,
         "tell " + receiver_name(receiver.config) + ": " + what + more_like_it(*swallowed));
  }

  const Clock& clock_;
  LogSink log_;
  /// Shared with threads that look up a name and may outlive this.
  std::shared_ptr<asio::io_context> io_ = std::make_shared<asio::io_context>(1);
  Lookups lookups_ = std::make_shared<std::atomic<int>>(0);
  std::vector<std::shared_ptr<Receiver>> receivers_;  ///< own thread
  std::atomic<bool> running_ = false;
  std::atomic<std::size_t> handed_over_ = 0;
  std::atomic<std::uint64_t> told_ = 0, failed_ = 0, given_up_ = 0, waiting_ = 0;
  std::thread thread_;
};

Notifier::Notifier(const Clock& clock, LogSink log) : impl_(std::make_shared<Impl>(clock, std::move(log))) {}
Notifier::~Notifier() {
  stop();
}
void Notifier::configure(const std::vector<config::NotificationConfig>& receivers) {
  impl_->configure(receivers);
}
void Notifier::tell(NotificationMessage message) {
  impl_->tell(std::nullopt, std::move(message));
}
void Notifier::tell(std::size_t receiver, NotificationMessage message) {
  impl_->tell(receiver, std::move(message));
}
NotificationCounts Notifier::counts() const {
  return impl_->counts();
}
void Notifier::stop() {
  impl_->stop();
}

}  // namespace nightwatt::daemon
