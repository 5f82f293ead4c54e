// Readings and ends of runs to an MQTT broker, by a thread that reads the store and that nobody waits for.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <string_view>

namespace nightwatt::publish {

struct PublishSettings {
  std::string host;
  int port = 1883;
  bool tls = false;
  std::string ca_file;  ///< empty: the system's certificates
  std::string user;     ///< empty: none
  std::string password;
  int version = 4;    ///< of MQTT: 4 is 3.1.1, 5 is 5
  std::string topic;  ///< with {rig} and {meter}
  std::string rig;
  std::string store;  ///< path
  friend bool operator==(const PublishSettings&, const PublishSettings&) = default;
};

/// Owns the thread. start(), stop() and let_go() are the caller's one thread's.
class Publisher {
 public:
  enum class Tone : std::uint8_t { info, warning };
  using Say = std::function<void(Tone, const std::string&)>;  ///< called from the publisher's thread

  Publisher(PublishSettings settings, Say say);
  ~Publisher();
  Publisher(const Publisher&) = delete;
  Publisher& operator=(const Publisher&) = delete;

  void start();
  void stop();    ///< at most a second
  void let_go();  ///< as stop(), but waits for nothing
  [[nodiscard]] const PublishSettings& settings() const;

 private:
  class Impl;
  std::shared_ptr<Impl> impl_;
};

/// The topic of a meter: what a topic may not hold is `_`.
[[nodiscard]] std::string topic_of(const std::string& form, const std::string& rig, const std::string& meter);
/// Where the service says whether it is there: the topic up to `{meter}`, then `online`.
[[nodiscard]] std::string online_topic(const std::string& form, const std::string& rig);
/// The name under which a broker knows this store's service: another for each machine (`machine`: its machine-id(5)),
/// rig and store, and the same after every start.
[[nodiscard]] std::string client_id(const PublishSettings& settings, std::string_view machine);

}  // namespace nightwatt::publish
