// The settings of a meter read out through its optical head or current loop (IEC 62056-21).
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

#include "measure/signal/time.hpp"

namespace nightwatt {

namespace drivers {
class Protocol;
}

/// a: all at one speed. b: the meter changes its speed by itself. c: it is told to. d: it speaks by itself, at 2400.
enum class Iec62056Mode : std::uint8_t { a, b, c, d };

struct Iec62056Settings {
  static constexpr std::string_view protocol_name = "iec62056-21";
  [[nodiscard]] static const drivers::Protocol& protocol();
  Iec62056Mode mode = Iec62056Mode::c;
  std::string address = {};           ///< of one meter of several on the line; empty: any
  std::uint32_t highest_baud = 9600;  ///< mode c: what meter and head can do together
  bool wake_up = false;               ///< a battery meter: NULs before each request
  Duration timeout{2'000'000};        ///< to answer; the bytes' time on the wire comes on top
  int retries = 1;                    ///< asks again this often before the read-out counts as missed
  friend bool operator==(const Iec62056Settings&, const Iec62056Settings&) = default;
};

}  // namespace nightwatt
