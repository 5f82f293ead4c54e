// One connection to an MQTT broker: messages are sent and their arrival waited for.
#pragma once

#include <atomic>
#include <cstddef>
#include <memory>
#include <string>
#include <vector>

#include "measure/signal/result.hpp"
#include "publish/publisher.hpp"

namespace nightwatt::publish {

struct Message {
  std::string topic;
  std::string payload;
  bool retained = true;
};

/// One thread. Every error is ErrorKind::unusable and one line.
class Broker {
 public:
  /// `id`: a connection of ours that the broker still holds open under it ends here, and its will is said before
  /// anything of this one. `will`: what the broker says of us once we are gone without a word. `stop` is looked at
  /// while waiting.
  [[nodiscard]] static Result<Broker> connect(const PublishSettings& settings, const std::string& id,
                                              const Message& will, const std::atomic<bool>& stop);
  Broker(Broker&&) noexcept;
  Broker& operator=(Broker&&) = delete;
  ~Broker();

  /// Returns once the broker has said of each that it has it (QoS 1); what it has not may be sent again, and come
  /// twice.
  [[nodiscard]] Result<void> send(const std::vector<Message>& messages);
  /// Keeps the connection alive for this long.
  [[nodiscard]] Result<void> idle(int milliseconds);
  /// So that the will is not said.
  void leave();

 private:
  class Impl;
  explicit Broker(std::unique_ptr<Impl> impl);
  std::unique_ptr<Impl> impl_;
};

}  // namespace nightwatt::publish
