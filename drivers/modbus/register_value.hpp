// From the bytes of Modbus registers to the decimal the meter meant.
#pragma once

#include <cstddef>
#include <optional>
#include <span>

#include "measure/signal/meter_profile.hpp"

namespace nightwatt::drivers {

enum class RegisterState {
  value,
  none,   ///< the meter says that it has no value: NaN or an infinity
  range,  ///< a number, but no Decimal holds it
};
struct RegisterValue {
  RegisterState state = RegisterState::none;
  Decimal value;
};

/// `bytes` as on the wire, exactly 2 x register_count(type) of them. The value times the scale, exact: a float is the
/// shortest decimal that reads back as it.
[[nodiscard]] RegisterValue decode_registers(std::span<const std::byte> bytes, RegisterType type, RegisterOrder order,
                                             const Decimal& scale);

}  // namespace nightwatt::drivers
