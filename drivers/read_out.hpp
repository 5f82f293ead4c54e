// The data lines of a read-out (IEC 62056-21, 6.4), `1-0:1.8.0(000123.4*kWh)`: to registers, and to a habit where no
// check protects them.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/decoder.hpp"
#include "obis.hpp"

namespace nightwatt::drivers {

/// Data lines taken apart. Views are into the lines.
struct ReadOut {
  std::vector<obis::Register> registers;  ///< of any code; values are read of those that are wanted
  std::uint64_t layout = 0;               ///< the names, and of wanted values the places of their digits
  bool sound = true;                      ///< every line was of data sets
  std::string_view first_bad;             ///< the first line that was none
  std::string_view message;               ///< of a group without a name in front: an error string
  std::string_view fatal;                 ///< of F.F, where it is not 0
};

/// Takes lines apart: several sets in a line, several groups in a set. Of a set's groups the first number with a unit
/// is the value, else the first. A wanted register whose value is a word is a fault: the meter's own error string.
[[nodiscard]] ReadOut take_apart(std::string_view lines, const obis::RegisterPlan& plan, std::uint64_t at_byte,
                                 std::vector<Fault>& faults);

/// What read-outs without a check look like. One that looks otherwise may have lost a line or a digit, and a sum of
/// tariffs without one of them is a wrong counter: it counts once the next one looks the same.
class LayoutOfReadOuts {
 public:
  [[nodiscard]] bool accepts(std::uint64_t layout);
  void forget() { believed_ = other_ = std::nullopt; }

 private:
  std::optional<std::uint64_t> believed_;
  std::optional<std::uint64_t> other_;
};

}  // namespace nightwatt::drivers
