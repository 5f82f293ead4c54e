#include "modbus/register_value.hpp"

#include <bit>
#include <cmath>
#include <cstdint>
#include <limits>

namespace nightwatt::drivers {

namespace {

/// The big-endian number of the bytes after they are put in order.
std::uint64_t ordered(std::span<const std::byte> bytes, RegisterOrder order) {
  const std::size_t last = bytes.size() - 1;
  std::uint64_t number = 0;
  for (std::size_t i = 0; i < bytes.size(); ++i) {
    std::size_t from = i;
    switch (order) {
      case RegisterOrder::abcd:
        break;
      case RegisterOrder::cdab:
        from = (last - i) ^ 1U;
        break;  // words reversed, each word as it is
      case RegisterOrder::badc:
        from = i ^ 1U;
        break;  // words in place, bytes of each swapped
      case RegisterOrder::dcba:
        from = last - i;
        break;
    }
    number = (number << 8U) | std::to_integer<std::uint64_t>(bytes[from]);
  }
  return number;
}

RegisterValue scaled(std::optional<Decimal> number, const Decimal& scale) {
  if (number) number = number->times(scale);
  return number ? RegisterValue{RegisterState::value, *number} : RegisterValue{RegisterState::range, {}};
}

RegisterValue from_integer(std::int64_t number, const Decimal& scale) {
  return scaled(Decimal{number, 0}, scale);
}

template <class Float>
RegisterValue from_floating(Float number, const Decimal& scale) {
  if (!std::isfinite(number)) return {RegisterState::none, {}};
  if constexpr (sizeof(Float) == sizeof(float)) {
    return scaled(Decimal::from_float(number), scale);
  } else {
    return scaled(Decimal::from_double(number), scale);
  }
}

}  // namespace

RegisterValue decode_registers(std::span<const std::byte> bytes, RegisterType type, RegisterOrder order,
                               const Decimal& scale) {
  const std::uint64_t raw = ordered(bytes, order);
  switch (type) {
    case RegisterType::u16:
    case RegisterType::u32:
      return from_integer(static_cast<std::int64_t>(raw), scale);
    case RegisterType::s16:
      return from_integer(static_cast<std::int16_t>(static_cast<std::uint16_t>(raw)), scale);
    case RegisterType::s32:
      return from_integer(static_cast<std::int32_t>(static_cast<std::uint32_t>(raw)), scale);
    case RegisterType::u64:
      // Above 2^63 even the finest scale, 10^-9, leaves more than a Decimal holds.
      if (raw > static_cast<std::uint64_t>(std::numeric_limits<std::int64_t>::max())) return {RegisterState::range, {}};
      return from_integer(static_cast<std::int64_t>(raw), scale);
    case RegisterType::s64:
      return from_integer(static_cast<std::int64_t>(raw), scale);
    case RegisterType::float32:
      return from_floating(std::bit_cast<float>(static_cast<std::uint32_t>(raw)), scale);
    case RegisterType::float64:
      return from_floating(std::bit_cast<double>(raw), scale);
  }
  return {};
}

}  // namespace nightwatt::drivers
