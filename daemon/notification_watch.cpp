#include "notification_watch.hpp"

#include <algorithm>
#include <utility>

#include "measure/signal/time_text.hpp"

namespace nightwatt::daemon {
namespace {

NotificationMessage silence_message(const MeterSession& meter, const SilenceWatch::News& news,
                                    const std::string& state) {
  const double seconds = to_seconds(news.lasted).value;
  NotificationMessage message;
  message.kind = news.silent ? config::NotificationKind::silent : config::NotificationKind::back;
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

NotificationWatch::NotificationWatch(std::unique_ptr<Timer> timer, const TimeKeeper& time, const PipelineState& state,
                                     Notifying& notifier, Meters meters)
    : time_(time), state_(state), notifier_(notifier), meters_(std::move(meters)), timer_(std::move(timer)) {}

void NotificationWatch::configure(const std::vector<config::NotificationConfig>& receivers) {
  std::vector<SilenceWatch> watches;
  for (const config::NotificationConfig& receiver : receivers) {
    const auto same = std::find(receivers_.begin(), receivers_.end(), receiver);
    watches.push_back(same != receivers_.end() ? watches_[static_cast<std::size_t>(same - receivers_.begin())]
                                               : SilenceWatch(to_duration({receiver.silent_s})));
  }
  const bool idle = receivers_.empty();
  receivers_ = receivers;
  watches_ = std::move(watches);
  notifier_.configure(receivers_);
  if (receivers_.empty()) timer_->cancel();
  if (idle && !receivers_.empty()) look_later();
}

void NotificationWatch::stop() {
  timer_->cancel();
  receivers_.clear();
}

void NotificationWatch::look_later() {
  timer_->start(every, [this] {
    if (receivers_.empty()) return;
    look();
    look_later();
  });
}

void NotificationWatch::look() {
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

void NotificationWatch::look_at_meter(std::size_t receiver, const MeterSession& meter, MonoTime now) {
  const auto news = watches_[receiver].look(meter.id(), meter.heard_at(), now);
  if (!news) return;
  NotificationMessage message = silence_message(meter, *news, meter.status(now).state);
  message.at = shown(now);
  notifier_.tell(receiver, std::move(message));
}

void NotificationWatch::look_at_store(MonoTime now) {
  if (const int damages = state_.damages; damages != damages_) {
    damages_ = damages;
    NotificationMessage message;
    message.kind = config::NotificationKind::store_damaged;
    message.at = shown(now);
    message.text = state_.damage.get();
    notifier_.tell(std::move(message));
  }
  const bool full = state_.full;
  if (full == was_full_) return;
  was_full_ = full;
  NotificationMessage message;
  message.kind = full ? config::NotificationKind::disk_full : config::NotificationKind::disk_room;
  message.at = shown(now);
  message.text = full ? "the store cannot be written, its disk is full: readings wait in memory, and not for long"
                      : "the store is written again";
  notifier_.tell(std::move(message));
}

NotificationMessage run_ended_message(const RunEnded& ended) {
  NotificationMessage message;
  message.kind = config::NotificationKind::run_ended;
  message.run = ended.run.id;
  message.meter = ended.run.meter;
  message.device = ended.run.device;
  const UtcTime end = ended.run.end.value_or(ended.run.begin);
  message.at = end + ended.utc_offset;
  message.seconds = to_seconds(end - ended.run.begin).value;
  message.text = "run " + std::to_string(ended.run.id) + " (" + ended.run.device.value_or("no name yet") + ") " +
                 (ended.run.meter ? "on meter " + *ended.run.meter + " " : std::string()) + "ended after " +
                 duration_text({*message.seconds});
  return message;
}

NotificationMessage level_moved_message(const RunEnded& ended, const std::string& moved) {
  NotificationMessage message = run_ended_message(ended);
  message.kind = config::NotificationKind::level_moved;
  message.text = ended.run.device.value_or("no name yet") + ": level moved, " + moved + " (run " +
                 std::to_string(ended.run.id) + ")";
  return message;
}

}  // namespace nightwatt::daemon
