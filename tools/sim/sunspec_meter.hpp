// A meter with the SunSpec register map: the common model and a three-phase meter of whole numbers (203).
#pragma once

#include "modbus_slave.hpp"

namespace nightwatt::sim {

/// Its map is at register 40000; every value has the scale factor that its display step needs.
class SunSpecMeter final : public ModbusSlave {
 public:
  using ModbusSlave::ModbusSlave;

 private:
  [[nodiscard]] Answer read_registers(std::uint8_t function, std::uint16_t first, std::uint16_t count,
                                      double at_s) const override;
};

}  // namespace nightwatt::sim
