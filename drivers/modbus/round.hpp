// One reading of a Modbus meter: the requests of a plan as the questions of a round.
#pragma once

#include <cstdint>
#include <span>
#include <utility>
#include <vector>

#include "modbus/plan.hpp"
#include "question_round.hpp"

namespace nightwatt::drivers::modbus {

class Round : public QuestionRound {
 public:
  Round(Plan plan, Duration interval)
      : QuestionRound(plan.requests().size(), plan.request_with(Quantity::power).value_or(0), interval),
        plan_(std::move(plan)) {}

  [[nodiscard]] const Plan& plan() const { return plan_; }
  [[nodiscard]] const Request& current() const { return plan_.requests()[current_index()]; }
  [[nodiscard]] const Request& main_request() const { return plan_.requests()[main_index()]; }

  void take(std::span<const std::byte> data, std::uint64_t at_byte, Duration now, std::vector<Fault>& faults) {
    plan_.take(current(), data, at_byte, values(), faults);
    answered(at_byte, now);
  }
  void take_late(std::span<const std::byte> data, std::uint64_t at_byte, Duration now, Output& out) {
    Measurement late{{}, at_byte, now};
    plan_.take(main_request(), data, at_byte, late.values, out.faults);
    answered_late(late, out);
  }

 private:
  Plan plan_;
};

}  // namespace nightwatt::drivers::modbus
