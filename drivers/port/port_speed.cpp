#include "port/port_speed.hpp"

#include <asm/termbits.h>
#include <sys/ioctl.h>

namespace nightwatt::drivers {

bool set_port_speed(int fd, std::uint32_t baud) {
  termios2 settings{};
  if (::ioctl(fd, TCGETS2, &settings) != 0) return false;
  constexpr tcflag_t speed_bits = CBAUD | (CBAUD << IBSHIFT);
  settings.c_cflag &= ~speed_bits;
  settings.c_cflag |= BOTHER | (BOTHER << IBSHIFT);
  settings.c_ospeed = baud;
  settings.c_ispeed = baud;
  return ::ioctl(fd, TCSETS2, &settings) == 0;
}

std::uint32_t port_speed(int fd) {
  termios2 settings{};
  return ::ioctl(fd, TCGETS2, &settings) == 0 ? settings.c_ospeed : 0;
}

}  // namespace nightwatt::drivers
