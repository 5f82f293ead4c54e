#include "broker.hpp"

#include <chrono>
#include <set>
#include <utility>

#include "mosquitto_library.hpp"

namespace nightwatt::publish {
namespace {

using Steady = std::chrono::steady_clock;

constexpr int at_least_once = 1;  // MQTT's QoS 1
constexpr int keepalive_s = 30;   // a broker says the will after one and a half of it (MQTT 3.1.1, 3.1.2.10)
constexpr int step_ms = 100;      // how often a waiting caller looks whether it is to stop
constexpr std::chrono::seconds answer_limit{20};

tl::unexpected<Error> trouble(std::string what) {
  if (what.ends_with('.')) what.pop_back();  // the library's sentences; ours may go on
  return fail(ErrorKind::unusable, "the broker: " + what);
}

}  // namespace

class Broker::Impl {
 public:
  Impl(const MosquittoLibrary& calls, const std::atomic<bool>& stop) : mqtt_(calls), stop_(stop) {}
  ~Impl() {
    if (client_ != nullptr) mqtt_.destroy(client_);
  }
  Impl(const Impl&) = delete;
  Impl& operator=(const Impl&) = delete;

  Result<void> connect(const PublishSettings& settings, const std::string& id, const Message& will) {
    // A clean session: the broker need keep nothing for who only tells, and what it did not confirm is told again.
    client_ = mqtt_.make(id.c_str(), true, this);
    if (client_ == nullptr) return trouble("not enough memory");
    mqtt_.int_option(client_, MOSQ_OPT_PROTOCOL_VERSION, settings.version == 5 ? MQTT_PROTOCOL_V5 : MQTT_PROTOCOL_V311);
    mqtt_.connect_callback_set(client_,
                               [](mosquitto*, void* self, int code) { static_cast<Impl*>(self)->connected(code); });
    mqtt_.publish_callback_set(
        client_, [](mosquitto*, void* self, int sent) { static_cast<Impl*>(self)->waiting_.erase(sent); });
    if (!settings.user.empty()) {
      const char* password = settings.password.empty() ? nullptr : settings.password.c_str();
      if (auto set = good(mqtt_.username_pw_set(client_, settings.user.c_str(), password)); !set) return set;
    }
    if (settings.tls) {
      const char* file = settings.ca_file.empty() ? nullptr : settings.ca_file.c_str();
      const char* folder = settings.ca_file.empty() ? "/etc/ssl/certs" : nullptr;  // the system's own
      if (auto set = good(mqtt_.tls_set(client_, file, folder, nullptr, nullptr, nullptr)); !set) return set;
    }
    if (auto set = good(mqtt_.will_set(client_, will.topic.c_str(), static_cast<int>(will.payload.size()),
                                       will.payload.data(), at_least_once, will.retained));
        !set)
      return set;
    if (auto begun = good(mqtt_.connect(client_, settings.host.c_str(), settings.port, keepalive_s)); !begun)
      return begun;
    return wait([this] { return code_ >= 0; });
  }

  Result<void> send(const std::vector<Message>& messages) {
    for (const Message& message : messages) {
      int id = 0;
      const int done = mqtt_.publish(client_, &id, message.topic.c_str(), static_cast<int>(message.payload.size()),
                                     message.payload.data(), at_least_once, message.retained);
      if (auto sent = good(done); !sent) return sent;
      waiting_.insert(id);
    }
    return wait([this] { return waiting_.empty(); });
  }

  Result<void> idle(int milliseconds) { return good(mqtt_.loop(client_, milliseconds, 1)); }

  void leave() {
    if (mqtt_.disconnect(client_) == MOSQ_ERR_SUCCESS) (void)mqtt_.loop(client_, step_ms, 1);
  }

 private:
  void connected(int code) { code_ = code; }

  Result<void> good(int code) {
    if (code == MOSQ_ERR_SUCCESS) return {};
    return trouble(code_ > 0 ? mqtt_.connack_string(code_) : mqtt_.strerror(code));
  }

  template <class Done>
  Result<void> wait(Done done) {
    const auto limit = Steady::now() + answer_limit;
    while (!done()) {
      if (stop_) return trouble("told to stop");
      if (Steady::now() > limit) return trouble("it does not answer");
      if (auto looked = good(mqtt_.loop(client_, step_ms, 1)); !looked) return looked;
      if (code_ > 0) return trouble(mqtt_.connack_string(code_));
    }
    return {};
  }

  const MosquittoLibrary& mqtt_;
  const std::atomic<bool>& stop_;
  mosquitto* client_ = nullptr;
  int code_ = -1;          ///< of the broker's answer to connect; -1: none yet
  std::set<int> waiting_;  ///< messages that the broker has not said it has
};

Broker::Broker(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}
Broker::Broker(Broker&&) noexcept = default;
Broker::~Broker() = default;

Result<Broker> Broker::connect(const PublishSettings& settings, const std::string& id, const Message& will,
                               const std::atomic<bool>& stop) {
  const auto calls = mosquitto_library();
  if (!calls) return tl::unexpected(calls.error());
  auto impl = std::make_unique<Impl>(**calls, stop);
  if (auto connected = impl->connect(settings, id, will); !connected) return tl::unexpected(connected.error());
  return Broker(std::move(impl));
}

Result<void> Broker::send(const std::vector<Message>& messages) {
  return impl_->send(messages);
}
Result<void> Broker::idle(int milliseconds) {
  return impl_->idle(milliseconds);
}
void Broker::leave() {
  impl_->leave();
}

}  // namespace nightwatt::publish
