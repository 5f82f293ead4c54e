// Instruments on a USB test port, /dev/usbtmc*: whole messages instead of a stream, as a descriptor like any port's.
#pragma once

#include <memory>
#include <string>
#include <string_view>

#include "drivers/port.hpp"

namespace nightwatt::drivers {

/// Whether a port speaks in messages.
[[nodiscard]] bool is_message_port(std::string_view path);

/// Owns the descriptor that lines are written to and answers read from. A thread of its own carries them to the device
/// and back, since the kernel's driver answers a read only by waiting: a line with a question mark is read for its
/// answer, which the driver gives up after the time-out. The thread and the device outlive this by that time at most.
class MessagePort {
 public:
  /// Takes both descriptors over: the reader's end, and what the thread works on. For open_messages() and tests.
  static std::unique_ptr<MessagePort> carry(int device);
  ~MessagePort();
  MessagePort(const MessagePort&) = delete;
  MessagePort& operator=(const MessagePort&) = delete;
  [[nodiscard]] int fd() const { return end_; }

 private:
  explicit MessagePort(int end) : end_(end) {}
  int end_;
};

[[nodiscard]] PortResult<std::unique_ptr<MessagePort>> open_messages(const std::string& path, Duration timeout);

}  // namespace nightwatt::drivers
