#include "publish/publisher.hpp"

#include <atomic>
#include <chrono>
#include <condition_variable>
#include <fstream>
#include <mutex>
#include <thread>
#include <utility>

#include "broker.hpp"
#include "feed.hpp"
#include "measure/signal/fnv1a.hpp"
#include "publish/reconnect_pause.hpp"

namespace nightwatt::publish {
namespace {

using Steady = std::chrono::steady_clock;

constexpr int between_looks_ms = 500;  // at the store, for what is new
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

/// Of this machine, the same after every start; empty where there is none, as in some containers.
std::string machine_id() {
  std::ifstream file("/etc/machine-id");
  std::string id;
  std::getline(file, id);
  return id;
}

}  // namespace

std::string client_id(const PublishSettings& settings, std::string_view machine) {
  // A copy of another rig's card has its machine-id, but is to have a rig name of its own.
  Fnv1a parts;
  for (const std::string_view part : {machine, std::string_view(settings.rig), std::string_view(settings.store)}) {
    parts.add(part);
    parts.add('\0');  // so that no two lists of parts read alike
  }
  // MQTT 3.1.1, 3.1.3.1: every broker takes 1 to 23 of the characters 0-9, a-z, A-Z.
  constexpr std::string_view digits = "0123456789abcdef";
  constexpr int bits_of_digit = 4, digit_count = 14;
  std::string id = "nightwatt";
  std::uint64_t hash = parts.value();
  for (int i = 0; i < digit_count; ++i, hash >>= bits_of_digit) id += digits[hash % digits.size()];
  return id;
}

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
      : settings_(std::move(settings)),
        id_(client_id(settings_, machine_id())),
        say_(std::move(say)),
        feed_(settings_.topic, settings_.rig) {}

  void begin() {
    const std::lock_guard lock(mutex_);
    ended_ = false;
  }

  void run() {
    std::string known;
    while (!stop_) {
      const std::string trouble = session();
      if (!trouble.empty() && trouble != known && !stop_)
        say_(Tone::warning, "not publishing, tried again: " + trouble);
      known = trouble;
      std::unique_lock lock(mutex_);
      if (changed_.wait_for(lock, pause_.next(), [this] { return stop_.load(); })) break;
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
  std::string session() {
    const auto store = storage::StoreReader::open(settings_.store);
    if (!store) return store.error().message;
    const std::string online = online_topic(settings_.topic, settings_.rig);
    auto broker = Broker::connect(settings_, id_, {online, "0", true}, stop_);
    if (!broker) return broker.error().message;
    if (auto said = broker->send({{online, "1", true}}); !said) return said.error().message;
    const auto since = Steady::now();
    if (!stop_ && !pause_.cut_often()) say_(Tone::info, "publishing to " + settings_.host);
    while (!stop_) {
      pause_.holds(Steady::now() - since);
      if (store->moved()) return settings_.store + " was moved or replaced";
      const std::int64_t dropped = feed_.dropped();
      const auto messages = feed_.next(*store);
      if (!messages) return messages.error().message;
      if (feed_.dropped() != dropped)
        say_(Tone::warning, std::to_string(feed_.dropped() - dropped) + " readings were too old to be published");
      Result<void> done = messages->empty() ? broker->idle(between_looks_ms) : broker->send(*messages);
      if (!done) return cut(done.error().message);
      if (!messages->empty()) feed_.told();
    }
    (void)broker->send({{online, "0", true}});
    broker->leave();
    return {};
  }

  std::string cut(const std::string& trouble) {
    pause_.cut();
    if (!pause_.cut_often()) return trouble;
    return trouble +
           "; each connection ends soon, as when another rig publishes under the same name: give each a \"rig\" "
           "of its own";
  }

  const std::string id_;
  Say say_;
  Feed feed_;
  ReconnectPause pause_;
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
