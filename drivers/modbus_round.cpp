#include "modbus_round.hpp"

#include <algorithm>

namespace nightwatt::drivers::modbus {

namespace {

/// The slot to keep at `now`: one that has just passed is still kept, one that is gone is skipped. The grid stays.
Duration on_grid(Duration slot, Duration interval, Duration now) {
  if (now - slot < interval / 2) return slot;
  return slot + interval * ((now - slot + interval / 2) / interval);
}

}  // namespace

Round::Round(Plan plan, Duration interval)
    : plan_(std::move(plan)), interval_(interval), main_(plan_.request_with(Quantity::power).value_or(0)) {
  order_.push_back(main_);
  for (std::size_t i = 0; i < plan_.requests().size(); ++i)
    if (i != main_) order_.push_back(i);
}

void Round::begin(Duration now) {
  slot_ = on_grid(slot_.value_or(now), interval_, now);
  todo_ = order_;
  values_ = {};
  main_at_.reset();
  running_ = true;
}

void Round::answered(std::span<const std::byte> data, std::uint64_t at_byte, Duration now, std::vector<Fault>& faults) {
  if (at_main()) {
    reading_at_ = at_byte;
    main_at_ = now;
  }
  plan_.take(current(), data, at_byte, values_, faults);
  todo_.erase(todo_.begin());
}

void Round::answered_late(std::span<const std::byte> data, std::uint64_t at_byte, Duration now, Output& out) {
  Measurement late{{}, at_byte, now};
  plan_.take(main_request(), data, at_byte, late.values, out.faults);
  if (!late.values.empty()) (running_ ? late_ : out.readings).push_back(late);
}

void Round::failed() {
  if (at_main()) return todo_.clear();
  todo_.erase(todo_.begin());
}

void Round::leave_rest() {
  if (todo_.empty()) return;
  // Those left out come right behind the main one next time.
  const auto left = std::find(order_.begin(), order_.end(), todo_.front());
  if (todo_.front() != main_) std::rotate(order_.begin() + 1, left, order_.end());
  todo_.clear();
}

void Round::drop() {
  main_at_.reset();
  late_.clear();
  todo_.clear();
}

void Round::end(Duration now, Output& out) {
  if (main_at_ && !values_.empty()) out.readings.push_back(Measurement{values_, reading_at_, main_at_});
  out.readings.insert(out.readings.end(), late_.begin(), late_.end());
  late_.clear();
  main_at_.reset();
  todo_.clear();
  running_ = false;
  slot_ = on_grid(slot_.value_or(now) + interval_, interval_, now);
}

}  // namespace nightwatt::drivers::modbus
