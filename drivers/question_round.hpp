// One reading of a meter that must be asked several questions: what is still to be asked, what was answered, and when
// the next one is due.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "drivers/decoder.hpp"

namespace nightwatt::drivers {

/// Rounds begin on a fixed grid of `interval`. The question with the power (the main one) goes first and makes the
/// reading: it counts from the instant of that answer, whatever becomes of the others, and what fails beside it is
/// missing in it. Where a round takes longer than the interval, those that had no turn come first in the next one.
/// Questions are known by their places in the protocol's own list.
class QuestionRound {
 public:
  QuestionRound(std::size_t questions, std::size_t main, Duration interval);

  [[nodiscard]] Duration interval() const { return interval_; }
  [[nodiscard]] bool running() const { return running_; }
  /// When the next round begins; none before the first.
  [[nodiscard]] std::optional<Duration> next_slot() const { return slot_; }
  void begin(Duration now);

  /// What is to be asked; only while a round runs and is not over.
  [[nodiscard]] std::size_t current_index() const { return todo_.front(); }
  [[nodiscard]] std::size_t main_index() const { return main_; }
  [[nodiscard]] bool at_main() const { return todo_.front() == main_; }
  [[nodiscard]] bool over() const { return todo_.empty(); }
  /// The main question was answered.
  [[nodiscard]] bool has_reading() const { return main_at_.has_value(); }
  /// Whether the current question may still be asked, anew or at all: one beside the power not once the next round is
  /// due.
  [[nodiscard]] bool has_time(Duration now) const { return at_main() || now < next_due(); }
  /// When the round behind this one is due; only while a round runs.
  [[nodiscard]] Duration next_due() const { return *slot_ + interval_; }
  /// Whether there is a next question; what there is no time for is left out.
  [[nodiscard]] bool goes_on(Duration now);

  /// Of the round; the protocol puts an answer's values in, then calls answered().
  [[nodiscard]] Values& values() { return values_; }
  void answered(std::uint64_t at_byte, Duration now);
  /// The main question's answer to a try before: a reading of its own.
  void answered_late(Measurement late, Output& out);
  /// The current question is given up. Without the main one there is no reading.
  void failed();
  /// Nothing more is asked in this round.
  void leave_rest();
  /// What was answered so far is not to be trusted.
  void drop();
  /// The port was opened anew: drops what there is, and keeps the grid.
  void abandon(Duration now);
  /// Hands the reading out, if there is one, and sets the next slot.
  void end(Duration now, Output& out);

 private:
  Duration interval_;
  std::size_t main_;
  std::vector<std::size_t> order_;  ///< the main one first
  std::vector<std::size_t> todo_;
  bool running_ = false;
  std::optional<Duration> slot_;  ///< of the round that runs or comes
  std::optional<Duration> main_at_;
  std::uint64_t reading_at_ = 0;
  Values values_;
  std::vector<Measurement> late_;  ///< at most one a try
};

/// What every protocol says when a question is given up.
[[nodiscard]] Fault no_answer(std::uint64_t at_byte, const std::string& to_what, int tries);

}  // namespace nightwatt::drivers
