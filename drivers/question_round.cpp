#include "question_round.hpp"

#include <algorithm>

#include "fault_text.hpp"
#include "measure/signal/invariant.hpp"

namespace nightwatt::drivers {

namespace {

/// The slot to keep at `now`: one that has just passed is still kept, one that is gone is skipped. The grid stays.
Duration on_grid(Duration slot, Duration interval, Duration now) {
  if (now - slot < interval / 2) return slot;
  return slot + interval * ((now - slot + interval / 2) / interval);
}

}  // namespace

QuestionRound::QuestionRound(std::size_t questions, std::size_t main, Duration interval)
    : interval_(interval), main_(main) {
  order_.push_back(main_);
  for (std::size_t i = 0; i < questions; ++i)
    if (i != main_) order_.push_back(i);
}

void QuestionRound::begin(Duration now) {
  slot_ = on_grid(slot_.value_or(now), interval_, now);
  todo_ = order_;
  values_ = {};
  main_at_.reset();
  running_ = true;
}

void QuestionRound::answered(std::uint64_t at_byte, Duration now) {
  invariant(!over(), "only a round that asks is answered");
  if (at_main()) {
    reading_at_ = at_byte;
    main_at_ = now;
  }
  todo_.erase(todo_.begin());
}

void QuestionRound::answered_late(Measurement late, Output& out) {
  if (!late.values.empty()) (running_ ? late_ : out.readings).push_back(late);
}

bool QuestionRound::goes_on(Duration now) {
  if (!over() && !has_time(now)) leave_rest();
  return !over();
}

void QuestionRound::failed() {
  invariant(!over(), "only a round that asks can fail");
  if (at_main()) return todo_.clear();
  todo_.erase(todo_.begin());
}

void QuestionRound::leave_rest() {
  if (todo_.empty()) return;
  // Those left out come right behind the main one next time.
  const auto left = std::find(order_.begin(), order_.end(), todo_.front());
  if (todo_.front() != main_) std::rotate(order_.begin() + 1, left, order_.end());
  todo_.clear();
}

void QuestionRound::drop() {
  main_at_.reset();
  late_.clear();
  todo_.clear();
}

void QuestionRound::abandon(Duration now) {
  if (!running_) return;
  Output dropped;
  drop();
  end(now, dropped);
}

void QuestionRound::end(Duration now, Output& out) {
  if (main_at_ && !values_.empty()) late_.push_back(Measurement{values_, reading_at_, main_at_});
  // Each has its own time; a late one may have come while the main question was asked anew.
  std::stable_sort(late_.begin(), late_.end(), [](const Measurement& a, const Measurement& b) { return a.at < b.at; });
  out.readings.insert(out.readings.end(), late_.begin(), late_.end());
  late_.clear();
  main_at_.reset();
  todo_.clear();
  running_ = false;
  slot_ = on_grid(slot_.value_or(now) + interval_, interval_, now);
}

Fault no_answer(std::uint64_t at_byte, const std::string& to_what, int tries) {
  return make_fault(FaultKind::timeout, at_byte,
                    "no answer " + to_what + (tries == 1 ? "" : " after " + std::to_string(tries) + " tries"));
}

}  // namespace nightwatt::drivers
