// The messages of an SML file: the registers of its lists.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "obis.hpp"

namespace nightwatt::drivers::sml {

struct FileContent {
  std::vector<obis::Register> registers;  ///< with a number, or with no value at the moment
  std::vector<obis::Code> too_large;      ///< whose numbers are more than a reading can hold
  std::string problem;                    ///< where it is not as it must be; empty: all is well
  bool bad_check = false;                 ///< the problem is a message's check
};

/// `unsigned_power`: see SmlSettings.
[[nodiscard]] FileContent read_file(std::span<const std::byte> payload, bool unsigned_power);

}  // namespace nightwatt::drivers::sml
