// Which answers of a Modbus meter may still be on their way, so that none is taken for another question's.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "measure/signal/time.hpp"
#include "modbus/frame.hpp"

namespace nightwatt::drivers::modbus {

/// An RTU answer says its unit, function and length, and not which registers it holds. A meter answers in the order it
/// was asked; an answer may be late by any time, doubled or lost.
class Debts {
 public:
  /// More questions than a meter could have in its buffer: the oldest is forgotten, and nothing is certain then.
  static constexpr std::size_t limit = 32;

  void asked(const Request& request, Duration now);
  /// Answers may come to questions nobody here asked: the port was just opened.
  void doubt() { strangers_ = true; }
  /// None will come any more.
  void trust() { strangers_ = false; }
  /// Nothing is on its way: the line has been silent for long.
  void forget();

  /// Whether an answer of this shape that comes now could be to another question.
  [[nodiscard]] bool clear_for(const Request& request) const;

  /// When the newest question was asked whose answer could be taken for this one's; nullopt: none, or nobody knows.
  [[nodiscard]] std::optional<Duration> newest_rival(const Request& request) const;

  /// An answer of this shape came. Takes the oldest question of that shape off; false if there was none.
  bool answered(const Request& shape);
  /// The answer to the clearing question came: whatever was asked before it is over. How long it took, where only one
  /// was asked; nullopt else.
  std::optional<Duration> cleared(const Request& clearing, Duration now);
  /// The oldest unanswered question of a function.
  [[nodiscard]] std::optional<Request> oldest(int function) const;
  /// The oldest unanswered question among two.
  [[nodiscard]] std::optional<Request> oldest_of(const Request& a, const Request& b) const;
  /// Gives up the answers to a question that were asked for before an instant.
  void expire(const Request& request, Duration before);
  /// How many of this very question are unanswered.
  [[nodiscard]] std::size_t count(const Request& request) const;

 private:
  struct Question {
    Request request;
    Duration at;
  };
  std::vector<Question> questions_;  ///< the oldest first
  bool strangers_ = false;
};

/// Whether their answers look alike.
[[nodiscard]] inline bool same_shape(const Request& a, const Request& b) {
  return a.function == b.function && a.count == b.count;
}

}  // namespace nightwatt::drivers::modbus
