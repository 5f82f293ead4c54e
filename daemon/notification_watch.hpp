// Looks at meters and store once a second and has what is new told.
#pragma once

#include <functional>
#include <memory>
#include <vector>

#include "config/config.hpp"
#include "daemon/environment.hpp"
#include "daemon/meter_session.hpp"
#include "daemon/notification_message.hpp"
#include "daemon/silence_watch.hpp"
#include "daemon/store_pipeline.hpp"
#include "daemon/time_keeper.hpp"

namespace nightwatt::daemon {

/// Loop thread. Does nothing at all while nobody is to be told.
class NotificationWatch {
 public:
  static constexpr Duration every{1'000'000};  ///< nobody at night minds a second
  using Meters = std::function<std::vector<const MeterSession*>()>;

  NotificationWatch(std::unique_ptr<Timer> timer, const TimeKeeper& time, const PipelineState& state,
                    Notifying& notifier, Meters meters);

  void configure(const std::vector<config::NotificationConfig>& receivers);
  void stop();

 private:
  void look_later();
  void look();
  void look_at_meter(std::size_t receiver, const MeterSession& meter, MonoTime now);
  void look_at_store(MonoTime now);
  [[nodiscard]] UtcTime shown(MonoTime now) const { return time_.stamp(now) + time_.utc_offset(); }

  const TimeKeeper& time_;
  const PipelineState& state_;
  Notifying& notifier_;
  Meters meters_;
  std::unique_ptr<Timer> timer_;
  std::vector<config::NotificationConfig> receivers_;
  std::vector<SilenceWatch> watches_;  ///< one a receiver, each with its patience
  bool was_full_ = false;
  int damages_ = 0;  ///< stores set aside that were told of
};

/// What is told of a run that ended.
[[nodiscard]] NotificationMessage run_ended_message(const RunEnded& ended);
/// What is told where it departs from its device's history; `moved` is one of the run's.
[[nodiscard]] NotificationMessage level_moved_message(const RunEnded& ended, const std::string& moved);

}  // namespace nightwatt::daemon
