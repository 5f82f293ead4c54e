#include "tell_watch.hpp"

#include <algorithm>
#include <utility>

#include "measure/time_text.hpp"

namespace nightwatt::daemon {
namespace {

TellMessage silence_message(const MeterSession& meter, const SilenceWatch::News& news, const std::string& state) {
  const double seconds = to_seconds(news.lasted).value;
  TellMessage message;
  message.kind = news.silent ? config::TellKind::silent : config::TellKind::back;
  message.meter = meter.name();
  message.seconds = seconds;
  // "recording" is what a meter is called whose own, shorter patience has not run out.
  const bool port_is_well = state == "recording" || state == "silent" || state == "no reading yet";
  const std::string why = port_is_well ? "" : ": port " + state;
  message.text = "meter " + meter.name() +
                 (news.silent ? " has given no reading for " + duration_text({seconds}) + why
                              : " gives readings again, after " + duration_text({seconds}) + " without");
  return message;
}

}  // namespace

TellWatch::TellWatch(std::unique_ptr<Timer> timer, const TimeKeeper& time, const PipelineState& state, Telling& teller,
                     Meters meters)
    : time_(time), state_(state), teller_(teller), meters_(std::move(meters)), timer_(std::move(timer)) {}

void TellWatch::configure(const std::vector<config::TellConfig>& receivers) {
  std::vector<SilenceWatch> watches;
  for (const config::TellConfig& receiver : receivers) {
    const auto same = std::find(receivers_.begin(), receivers_.end(), receiver);
    watches.push_back(same != receivers_.end() ? watches_[static_cast<std::size_t>(same - receivers_.begin())]
                                               : SilenceWatch(to_duration({receiver.silent_s})));
  }
  const bool idle = receivers_.empty();
  receivers_ = receivers;
  watches_ = std::move(watches);
  teller_.configure(receivers_);
  if (receivers_.empty()) timer_->cancel();
  if (idle && !receivers_.empty()) look_later();
}

void TellWatch::stop() {
  timer_->cancel();
  receivers_.clear();
}

void TellWatch::look_later() {
  timer_->start(every, [this] {
    if (receivers_.empty()) return;
    look();
    look_later();
  });
}

void TellWatch::look() {
  const MonoTime now = time_.now();
  const std::vector<const MeterSession*> meters = meters_();
  std::vector<MeterId> ids;
  for (const MeterSession* meter : meters) ids.push_back(meter->id());
  for (std::size_t i = 0; i < receivers_.size(); ++i) {
    watches_[i].keep_only(ids);
    for (const MeterSession* meter : meters) look_at_meter(i, *meter, now);
  }
  look_at_store(now);
}

void TellWatch::look_at_meter(std::size_t receiver, const MeterSession& meter, MonoTime now) {
  const auto news = watches_[receiver].look(meter.id(), meter.heard_at(), now);
  if (!news) return;
  TellMessage message = silence_message(meter, *news, meter.status(now).state);
  message.at = shown(now);
  teller_.tell(receiver, std::move(message));
}

void TellWatch::look_at_store(MonoTime now) {
  if (const int damages = state_.damages; damages != damages_) {
    damages_ = damages;
    TellMessage message;
    message.kind = config::TellKind::store_damaged;
    message.at = shown(now);
    message.text = state_.damage.get();
    teller_.tell(std::move(message));
  }
  const bool full = state_.full;
  if (full == was_full_) return;
  was_full_ = full;
  TellMessage message;
  message.kind = full ? config::TellKind::disk_full : config::TellKind::disk_room;
  message.at = shown(now);
  message.text = full ? "the store cannot be written, its disk is full: readings wait in memory, and not for long"
                      : "the store is written again";
  teller_.tell(std::move(message));
}

TellMessage run_ended_message(const RunEnded& ended) {
  TellMessage message;
  message.kind = config::TellKind::run_ended;
  message.run = ended.run.id;
  message.meter = ended.run.meter;
  message.device = ended.run.device;
  const UtcTime end = ended.run.end.value_or(ended.run.begin);
  message.at = end + ended.shift;
  message.seconds = to_seconds(end - ended.run.begin).value;
  message.text = "run " + std::to_string(ended.run.id) + " (" + ended.run.device.value_or("no name yet") + ") " +
                 (ended.run.meter ? "on meter " + *ended.run.meter + " " : std::string()) + "ended after " +
                 duration_text({*message.seconds});
  return message;
}

TellMessage level_moved_message(const RunEnded& ended, const std::string& moved) {
  TellMessage message = run_ended_message(ended);
  message.kind = config::TellKind::level_moved;
  message.text = ended.run.device.value_or("no name yet") + ": level moved, " + moved + " (run " +
                 std::to_string(ended.run.id) + ")";
  return message;
}

}  // namespace nightwatt::daemon
