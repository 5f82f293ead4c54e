#include "publish/publisher.hpp"

#include <algorithm>
#include <atomic>
#include <chrono>
#include <condition_variable>
#include <mutex>
#include <thread>
#include <utility>

#include "broker.hpp"
#include "feed.hpp"

namespace nightwatt::publish {
namespace {

using std::chrono::seconds;

constexpr int between_looks_ms = 500;                 // at the store, for what is new
constexpr seconds first_pause{1}, longest_pause{60};  // after trouble, doubled each time
constexpr std::chrono::milliseconds stop_limit{1'000};

void replace(std::string& text, const std::string& word, const std::string& by) {
  for (std::size_t at = 0; (at = text.find(word, at)) != std::string::npos; at += by.size())
    text.replace(at, word.size(), by);
}

/// MQTT 3.1.1, 4.7.1: `+` and `#` are wildcards, `/` parts levels, NUL is not allowed; nor are control characters wise.
std::string level(std::string name) {
  for (char& c : name)
    if (c == '+' || c == '#' || c == '/' || static_cast<unsigned char>(c) < 0x20) c = '_';
  return name;
}

}  // namespace

std::string topic_of(const std::string& form, const std::string& rig, const std::string& meter) {
  std::string topic = form;
  replace(topic, "{rig}", level(rig));
  replace(topic, "{meter}", level(meter));
  return topic;
}

std::string online_topic(const std::string& form, const std::string& rig) {
  std::string topic = form.substr(0, form.find("{meter}"));
  replace(topic, "{rig}", level(rig));
  if (topic.empty() || topic.back() != '/') topic += '/';
  return topic + "online";
}

class Publisher::Impl {
 public:
  Impl(PublishSettings settings, Say say)
      : settings_(std::move(settings)), say_(std::move(say)), feed_(settings_.topic, settings_.rig) {}

  void begin() {
    const std::lock_guard lock(mutex_);
    ended_ = false;
  }

  void run() {
    seconds pause = first_pause;
    std::string known;
    while (!stop_) {
      const std::string trouble = session(pause);
      if (!trouble.empty() && trouble != known && !stop_)
        say_(Tone::warning, "not publishing, tried again: " + trouble);
      known = trouble;
      std::unique_lock lock(mutex_);
      if (changed_.wait_for(lock, pause, [this] { return stop_.load(); })) break;
      pause = std::min(pause * 2, longest_pause);
    }
    const std::lock_guard lock(mutex_);
    ended_ = true;
    changed_.notify_all();
  }

  void stop() {
    const std::lock_guard lock(mutex_);
    stop_ = true;
    changed_.notify_all();
  }
  void wait() {
    std::unique_lock lock(mutex_);
    (void)changed_.wait_for(lock, stop_limit, [this] { return ended_; });
  }
  void forget() {
    const std::lock_guard lock(mutex_);
    ended_ = true;
  }

  const PublishSettings settings_;

 private:
  /// From connecting to the first trouble, which it returns.
  std::string session(seconds& pause) {
    const auto store = storage::StoreReader::open(settings_.store);
    if (!store) return store.error().message;
    const std::string online = online_topic(settings_.topic, settings_.rig);
    auto broker = Broker::connect(settings_, {online, "0", true}, stop_);
    if (!broker) return broker.error().message;
    if (auto said = broker->send({{online, "1", true}}); !said) return said.error().message;
    pause = first_pause;
    if (!stop_) say_(Tone::info, "publishing to " + settings_.host);
    while (!stop_) {
      if (store->moved()) return settings_.store + " was moved or replaced";
      const std::int64_t dropped = feed_.dropped();
      const auto messages = feed_.next(*store);
      if (!messages) return messages.error().message;
      if (feed_.dropped() != dropped)
        say_(Tone::warning, std::to_string(feed_.dropped() - dropped) + " readings were too old to be published");
      Result<void> done = messages->empty() ? broker->idle(between_looks_ms) : broker->send(*messages);
      if (!done) return done.error().message;
      if (!messages->empty()) feed_.told();
    }
    (void)broker->send({{online, "0", true}});
    broker->leave();
    return {};
  }

  Say say_;
  Feed feed_;
  std::mutex mutex_;
  std::condition_variable changed_;
  std::atomic<bool> stop_{false};
  bool ended_ = true;
};

Publisher::Publisher(PublishSettings settings, Say say)
    : impl_(std::make_shared<Impl>(std::move(settings), std::move(say))) {}

Publisher::~Publisher() {
  stop();
}

void Publisher::start() {
  impl_->begin();
  // The thread shares what it works with: a name that is being looked up cannot be called off.
  std::thread([impl = impl_] { impl->run(); }).detach();
}

void Publisher::stop() {
  impl_->stop();
  impl_->wait();
}

void Publisher::let_go() {
  impl_->stop();
  impl_->forget();
}

const PublishSettings& Publisher::settings() const {
  return impl_->settings_;
}

}  // namespace nightwatt::publish
