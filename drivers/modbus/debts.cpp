#include "modbus/debts.hpp"

#include <algorithm>

#include "measure/signal/invariant.hpp"

namespace nightwatt::drivers::modbus {

void Debts::asked(const Request& request, Duration now) {
  if (questions_.size() == limit) {
    questions_.erase(questions_.begin());
    strangers_ = true;
  }
  invariant(questions_.empty() || questions_.back().at <= now, "time does not go back");
  questions_.push_back({request, now});
}

void Debts::forget() {
  questions_.clear();
  strangers_ = false;
}

bool Debts::clear_for(const Request& request) const {
  return !strangers_ && std::none_of(questions_.begin(), questions_.end(), [&](const Question& question) {
    return same_shape(question.request, request) && question.request != request;
  });
}

bool Debts::answered(const Request& shape) {
  const auto oldest = std::find_if(questions_.begin(), questions_.end(),
                                   [&](const Question& question) { return same_shape(question.request, shape); });
  if (oldest == questions_.end()) return false;
  questions_.erase(oldest);
  return true;
}

std::optional<Duration> Debts::cleared(const Request& clearing, Duration now) {
  const auto is_clearing = [&](const Question& question) { return question.request == clearing; };
  const auto first = std::find_if(questions_.begin(), questions_.end(), is_clearing);
  if (first == questions_.end()) return std::nullopt;
  std::optional<Duration> took;
  if (std::count_if(questions_.begin(), questions_.end(), is_clearing) == 1) took = now - first->at;
  questions_.erase(questions_.begin(), first + 1);
  strangers_ = false;
  return took;
}

std::size_t Debts::count(const Request& request) const {
  return static_cast<std::size_t>(std::count_if(questions_.begin(), questions_.end(),
                                                [&](const Question& question) { return question.request == request; }));
}

std::optional<Request> Debts::oldest(int function) const {
  for (const Question& question : questions_)
    if (question.request.function == function) return question.request;
  return std::nullopt;
}

std::optional<Request> Debts::oldest_of(const Request& a, const Request& b) const {
  for (const Question& question : questions_)
    if (question.request == a || question.request == b) return question.request;
  return std::nullopt;
}

void Debts::expire(const Request& request, Duration before) {
  std::erase_if(questions_,
                [&](const Question& question) { return question.request == request && question.at < before; });
}

std::optional<Duration> Debts::newest_rival(const Request& request) const {
  if (strangers_) return std::nullopt;
  const auto rival = std::find_if(questions_.rbegin(), questions_.rend(), [&](const Question& question) {
    return same_shape(question.request, request) && question.request != request;
  });
  return rival == questions_.rend() ? std::nullopt : std::optional(rival->at);
}

}  // namespace nightwatt::drivers::modbus
