// Any baud rate on a terminal. Apart from the rest because the kernel's termios2 and the library's termios cannot be
// included together.
#pragma once

#include <cstdint>

namespace nightwatt::drivers {

/// Sets the speed of both directions; false, with errno, where the driver refuses.
[[nodiscard]] bool set_port_speed(int fd, std::uint32_t baud);
/// The speed the driver made of it; 0 where it cannot be told.
[[nodiscard]] std::uint32_t port_speed(int fd);

}  // namespace nightwatt::drivers
