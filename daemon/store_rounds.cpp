#include "store_rounds.hpp"

#include <utility>

namespace nightwatt::daemon {

using Wake = ReadingQueue::Wake;

void StoreRounds::wait() {
  if (!woken_) woken_ = paused() ? queue_.rest(pipeline_.pause()) : queue_.wait(flush());
}

std::optional<MonoTime> StoreRounds::due() {
  if (paused() && !rest_until_) rest_until_ = clock_.monotonic() + pipeline_.pause();
  if (!paused()) rest_until_.reset();
  if (!woken_) {
    const ReadingQueue::Look look = rest_until_ ? queue_.look_rest(*rest_until_) : queue_.look_wait(flush());
    if (!look.wake) return look.due;
    woken_ = look.wake;
  }
  return clock_.monotonic();
}

bool StoreRounds::round() {
  ++state_.beats;
  const auto woken = std::exchange(woken_, std::nullopt);
  if (!woken) return true;
  rest_until_.reset();
  if (*woken == Wake::stop) {
    stored_all_ = pipeline_.close(UtcTime{stop_us_});
    if (!stored_all_) left_over_ = state_.waiting + queue_.readings();
    return false;
  }
  if (*woken == Wake::poke && !paused()) return true;
  if (pipeline_.work() != StorePipeline::Outcome::paused) pipeline_.tidy();
  return true;
}

}  // namespace nightwatt::daemon
