// One reading of a Modbus meter: what is still to be asked, what was answered, and when the next one is due.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "drivers/decoder.hpp"
#include "modbus_plan.hpp"

namespace nightwatt::drivers::modbus {

/// Rounds begin on a fixed grid of `interval`. The request with the power (the main one) goes first and makes the
/// reading: it counts from the instant of that answer, whatever becomes of the others, and what fails beside it is
/// missing in it. Where a round takes longer than the interval, those that had no turn come first in the next one.
class Round {
 public:
  Round(Plan plan, Duration interval);

  [[nodiscard]] const Plan& plan() const { return plan_; }
  [[nodiscard]] bool running() const { return running_; }
  /// When the next round begins; none before the first.
  [[nodiscard]] std::optional<Duration> next_slot() const { return slot_; }
  void begin(Duration now);

  /// What is to be asked; only while a round runs and is not over.
  [[nodiscard]] const Request& current() const { return plan_.requests()[todo_.front()]; }
  [[nodiscard]] std::size_t current_index() const { return todo_.front(); }
  [[nodiscard]] bool at_main() const { return todo_.front() == main_; }
  [[nodiscard]] bool over() const { return todo_.empty(); }
  [[nodiscard]] bool has_reading() const { return main_at_.has_value(); }
  /// Whether it is time for the next round.
  [[nodiscard]] bool is_late(Duration now) const { return now >= *slot_ + interval_; }

  void answered(std::span<const std::byte> data, std::uint64_t at_byte, Duration now, std::vector<Fault>& faults);
  /// The main request's answer to a try before: a reading of its own, behind that of the round.
  void answered_late(std::span<const std::byte> data, std::uint64_t at_byte, Duration now, Output& out);
  [[nodiscard]] std::size_t main_index() const { return main_; }
  [[nodiscard]] const Request& main_request() const { return plan_.requests()[main_]; }
  /// The current request is given up. Without the main one there is no reading.
  void failed();
  /// Nothing more is asked in this round.
  void leave_rest();
  /// What was answered so far is not to be trusted.
  void drop();
  /// Hands the reading out, if there is one, and sets the next slot.
  void end(Duration now, Output& out);

 private:
  Plan plan_;
  Duration interval_;
  std::size_t main_ = 0;
  std::vector<std::size_t> order_;  ///< places in the plan, the main one first
  std::vector<std::size_t> todo_;
  bool running_ = false;
  std::optional<Duration> slot_;  ///< of the round that runs or comes
  std::optional<Duration> main_at_;
  std::uint64_t reading_at_ = 0;
  Values values_;
  std::vector<Measurement> late_;  ///< at most one a try
};

}  // namespace nightwatt::drivers::modbus
