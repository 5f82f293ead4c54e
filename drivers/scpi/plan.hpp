// What to ask an SCPI instrument, and what its answers mean. No line, no time.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/decoder.hpp"
#include "measure/signal/meter_profile.hpp"
#include "measure/signal/result.hpp"

namespace nightwatt::drivers::scpi {

/// A query's length; a program message of several is still a line.
inline constexpr std::size_t query_limit = 200;
/// Fields that can be asked for in one answer.
inline constexpr int field_limit = 64;

/// The queries of a round, each once, in the profile's order.
class Plan {
 public:
  [[nodiscard]] static Result<Plan> make(const std::vector<ReadSpec>& reads);

  [[nodiscard]] const std::vector<std::string>& queries() const { return queries_; }
  /// The place of the query with the power; 0 where no power is read.
  [[nodiscard]] std::size_t main() const { return main_; }

  /// Puts an answer's values into `values`. False, with a fault, where the line cannot be an answer to this query; "not
  /// a number" leaves a quantity out, infinity is a fault and leaves it out.
  [[nodiscard]] bool take(std::size_t query, std::string_view line, std::uint64_t at_byte, Values& values,
                          std::vector<Fault>& faults) const;

 private:
  std::vector<ReadSpec> reads_;
  std::vector<std::string> queries_;
  std::vector<std::size_t> query_of_;  ///< for each read
  std::size_t main_ = 0;
};

}  // namespace nightwatt::drivers::scpi
