// A modem line watched for pulses: edges as bytes, on a descriptor like any port's.
#pragma once

#include <memory>
#include <string>

#include "drivers/port.hpp"
#include "drivers/s0/settings.hpp"

namespace nightwatt::drivers {

/// Owns the port, a thread that watches the line, and the descriptor its edges are read from (see s0/edge.hpp). The
/// thread ends with it, at once.
class EdgePort {
 public:
  explicit EdgePort(OpenPort port);
  ~EdgePort();
  EdgePort(const EdgePort&) = delete;
  EdgePort& operator=(const EdgePort&) = delete;
  [[nodiscard]] int fd() const;
  [[nodiscard]] const std::string& path() const;
  /// What is worth saying once about how the line is watched; empty: nothing.
  [[nodiscard]] std::string note() const;

 private:
  friend PortResult<std::unique_ptr<EdgePort>> open_edges(const std::string& path, const LineSettings& line,
                                                          ModemLine watched);
  struct Watch;
  std::unique_ptr<Watch> watch_;
};

/// The thread waits for the line's changes (TIOCMIWAIT) and is called off by a signal of its own, whose handler does
/// nothing. Where the driver cannot wait, the line is looked at every two milliseconds, a tenth of the shortest pulse
/// that counts. A pseudo-terminal has no lines: its bytes are taken as edges, for simulated meters.
[[nodiscard]] PortResult<std::unique_ptr<EdgePort>> open_edges(const std::string& path, const LineSettings& line,
                                                               ModemLine watched);

}  // namespace nightwatt::drivers
