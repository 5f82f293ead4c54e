// How a modem line is watched for edges, apart from the machine's own lines, so that a test can play one.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>

#include "s0/edge.hpp"

namespace nightwatt::drivers {

/// One modem line of a port. Used by the watching thread alone.
class ModemInput {
 public:
  enum class Woken : std::uint8_t {
    changed,  ///< the line has changed, or may have
    cannot,   ///< the driver cannot wait for it
    gone,     ///< the port is gone
  };
  virtual ~ModemInput() = default;
  /// nullopt: the port is gone.
  virtual std::optional<bool> level() = 0;
  /// The kernel's count of the line's changes; 0 where the driver keeps none.
  virtual std::uint32_t changes() = 0;
  /// Waits for a change, without a limit, or until the watch is called off.
  virtual Woken wait() = 0;
  /// Waits a moment, for who looks again and again.
  virtual void pause() = 0;
  virtual std::uint64_t now_us() = 0;
  /// The watch is called off.
  virtual bool stopped() = 0;
};

/// Calls `on_edge` for the line's level at first and at every change, until it is called off, the port is gone, or
/// `on_edge` says false. Waits for changes where the driver can (TIOCMIWAIT), else looks every moment.
void watch_line(ModemInput& input, const std::function<bool(const s0::Edge&)>& on_edge);

}  // namespace nightwatt::drivers
