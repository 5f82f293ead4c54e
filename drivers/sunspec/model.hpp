// The meter models of SunSpec: which registers hold what. Meaning only.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

#include "drivers/decoder.hpp"
#include "measure/signal/meter_profile.hpp"

namespace nightwatt::drivers::sunspec {

/// Registers of a block that are asked for, from the model's number on: up to the last one of interest (54 of 201 to
/// 204, 69 of 211 to 214, counted from 0).
[[nodiscard]] std::uint16_t block_length(unsigned model);
/// Whether it is a meter: 201 to 204 with whole numbers and scale factors, 211 to 214 with float32.
[[nodiscard]] bool is_meter(unsigned model);

/// A register as the wire has it.
[[nodiscard]] unsigned register_at(std::span<const std::byte> block, std::size_t index);

/// Puts the wanted values of a block into `values`; what the meter says it has not is left out, and so is what has a
/// scale factor that is none. A number out of range is a fault.
void take_block(std::span<const std::byte> block, const std::vector<ReadSpec>& reads, std::uint64_t at_byte,
                Values& values, std::vector<Fault>& faults);

}  // namespace nightwatt::drivers::sunspec
