// From the rows of a file to readings whose times rise: which instant a clock's showing was, duplicates, and stamps
// coarser than the readings.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "form.hpp"
#include "measure/signal/reading.hpp"
#include "time_form.hpp"

namespace nightwatt::csv {

/// One line of the file; without values where it gave none.
struct Row {
  CellTime time;
  Values values;
  std::uint64_t line = 0;
};

/// Takes rows in the order of time, and gives readings. Errors as those of CsvReader.
class Order {
 public:
  Order(std::string name, const Form& form, bool spread);

  [[nodiscard]] Result<void> put(const Row& row);
  /// No more rows come.
  [[nodiscard]] Result<void> finish(std::uint64_t line);
  [[nodiscard]] std::size_t ready() const { return ready_.size(); }
  /// Moves the first readings that are ready into `batch`, `most` at most, in place of what it held.
  void take(std::vector<Reading>& batch, std::size_t most);

  [[nodiscard]] bool found_coarse_stamps() const { return found_coarse_; }
  [[nodiscard]] std::uint64_t duplicates() const { return duplicates_; }
  [[nodiscard]] std::uint64_t spread() const { return spread_; }

 private:
  [[nodiscard]] Result<UtcTime> instant_of(const Row& row);
  [[nodiscard]] Result<UtcTime> of_repeated_hour(const Row& row, const Zone::Instants& instants, std::int64_t below_s);
  [[nodiscard]] Result<void> check_step(const Row& row, UtcTime time);
  [[nodiscard]] Result<void> same_time(const Row& row);
  void spread_group(std::optional<UtcTime> next);
  [[nodiscard]] tl::unexpected<Error> refuse(std::uint64_t line, const std::string& what) const;
  [[nodiscard]] std::string shown(std::int64_t us) const;

  std::string name_;
  const Form& form_;
  bool spreads_;
  std::optional<UtcTime> first_time_, last_time_;
  std::int64_t last_shown_us_ = 0;
  enum class Hour : std::uint8_t { once, first_of_two, second_of_two };
  Hour hour_ = Hour::once;    ///< in which the last row lay
  bool hour_proved_ = false;  ///< the clock went back in the file since the last hour that comes twice began
  Values last_values_;
  bool last_kept_ = false;
  std::vector<Reading> group_;      ///< of one stamp
  std::int64_t group_step_us_ = 0;  ///< between the readings of the group before
  std::uint64_t stamps_ = 0, readings_ = 0;
  std::vector<Reading> ready_;
  bool found_coarse_ = false;
  std::uint64_t duplicates_ = 0, spread_ = 0;
};

}  // namespace nightwatt::csv
