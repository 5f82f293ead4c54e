// A world of its own for a service: one thread, time that is only said to pass, events in an order that a seed decides.
#pragma once

#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "daemon/environment.hpp"
#include "daemon/notification_message.hpp"
#include "measure/signal/time.hpp"
#include "sim_disk.hpp"

namespace nightwatt::world {

/// Time, and what happens in it. Events of one moment come in an order drawn from the seed.
class Scheduler {
 public:
  using Call = std::function<void()>;
  using Id = std::pair<std::int64_t, std::uint64_t>;  ///< when, and a drawn rank

  explicit Scheduler(std::uint64_t seed) : random_(seed) {}
  /// An event that goes may take others with it.
  ~Scheduler() {
    while (!events_.empty()) auto gone = events_.extract(events_.begin());
  }
  Scheduler(const Scheduler&) = delete;
  Scheduler& operator=(const Scheduler&) = delete;

  [[nodiscard]] std::int64_t now_us() const { return now_us_; }
  Id at(std::int64_t when_us, Call call);
  Id after(Duration delay, Call call) { return at(now_us_ + delay.count(), std::move(call)); }
  void cancel(const Id& id) { auto gone = events_.extract(id); }
  /// The next event, unless it lies after `until_us`; then time stands at `until_us`.
  [[nodiscard]] bool step(std::int64_t until_us);
  /// A delay of the system's own: up to a fifth of a millisecond.
  [[nodiscard]] Duration latency() { return Duration(static_cast<std::int64_t>(random_() % 200)); }
  [[nodiscard]] Random& random() { return random_; }

 private:
  std::int64_t now_us_ = 1'000'000;
  Random random_;
  std::map<Id, Call> events_;
};

/// The machine's clocks. The monotonic one runs while the machine sleeps, timers do not; a boot begins it anew.
class SimClock final : public Clock {
 public:
  explicit SimClock(const Scheduler& scheduler, UtcTime utc) : scheduler_(scheduler) { set_utc(utc); }

  [[nodiscard]] MonoTime monotonic() const override { return {scheduler_.now_us() + asleep_us_ - booted_us_}; }
  [[nodiscard]] UtcTime utc() const override {
    const std::int64_t since = scheduler_.now_us() - set_us_;
    return {utc_at_set_us_ + since + since * slew_ppm_ / 1'000'000};
  }
  /// Time that passed in the world, whatever the machine makes of it.
  [[nodiscard]] std::int64_t true_us() const { return scheduler_.now_us() + asleep_us_; }

  /// The moment before then from which on the machine was awake for so long.
  [[nodiscard]] std::int64_t awake_before(std::int64_t true_us, std::int64_t awake_us) const {
    for (auto sleep = sleeps_.rbegin(); sleep != sleeps_.rend(); ++sleep) {
      if (sleep->end_us > true_us) continue;
      if (true_us - awake_us >= sleep->end_us) break;
      awake_us -= true_us - sleep->end_us;
      true_us = sleep->begin_us;
    }
    return true_us - awake_us;
  }

  /// What the calendar would say without the last step, for the two seconds in which nobody may have noticed it; then
  /// the same as utc().
  [[nodiscard]] UtcTime unstepped() const {
    constexpr std::int64_t unnoticed_us = 2'000'000;
    return scheduler_.now_us() - stepped_us_ < unnoticed_us ? utc() - stepped_by_ : utc();
  }

  /// The calendar less monotonic() as it has been by turns, up to now: since then by the world's time, or since then of
  /// the time in which the machine was awake.
  [[nodiscard]] std::vector<std::int64_t> calendars_since(std::int64_t true_us, std::int64_t awake_us) const {
    std::vector<std::int64_t> found;
    for (const Calendar& one : calendars_)
      if (one.true_us < true_us && one.awake_us < awake_us && !found.empty())
        found.back() = one.less_mono_us;
      else
        found.push_back(one.less_mono_us);
    found.push_back(utc().us - monotonic().us);
    return found;
  }
  void set_utc(UtcTime utc) {
    for (const UtcTime by_calendar : {this->utc(), utc})
      calendars_.push_back({true_us(), scheduler_.now_us(), by_calendar.us - monotonic().us});
    stepped_by_ = utc - this->utc();
    stepped_us_ = scheduler_.now_us();
    utc_at_set_us_ = utc.us;
    set_us_ = scheduler_.now_us();
  }
  void step(Duration by) { set_utc(utc() + by); }
  void slew(std::int64_t ppm) {
    set_utc(utc());
    slew_ppm_ = ppm;
  }
  /// The machine was asleep for so long just now; both its clocks know.
  void fall_asleep(Duration time) {
    sleeps_.push_back({true_us(), true_us() + time.count()});
    utc_at_set_us_ += time.count();
    asleep_us_ += time.count();
  }
  void boot() {
    ++boots_;
    booted_us_ = scheduler_.now_us() + asleep_us_ - 20'000'000;
    calendars_.clear();
    set_utc(utc());
  }
  [[nodiscard]] std::string boot_id() const { return "boot-" + std::to_string(boots_); }

 private:
  struct Calendar {
    std::int64_t true_us, awake_us;  ///< when it was found
    std::int64_t less_mono_us;
  };

  struct Sleep {
    std::int64_t begin_us, end_us;  ///< of the world
  };

  const Scheduler& scheduler_;
  std::vector<Sleep> sleeps_;
  int boots_ = 1;
  std::int64_t set_us_ = 0, utc_at_set_us_ = 0, slew_ppm_ = 0, asleep_us_ = 0, booted_us_ = 0, stepped_us_ = 0;
  Duration stepped_by_{0};
  std::vector<Calendar> calendars_;
};

/// One end of a cable at a meter; what the meter says comes out of the service's port while it has one open.
class Plug {
 public:
  explicit Plug(Scheduler& scheduler) : scheduler_(scheduler) {}

  /// From the meter, now. Nobody hears it where no port is open.
  void say(std::span<const std::byte> bytes);
  /// To the meter; called when the service writes.
  std::function<void(std::span<const std::byte>)> on_heard;
  std::function<void()> on_opened;
  void pull();  ///< the device is gone
  void put();   ///< and back
  [[nodiscard]] bool in() const { return in_; }
  /// What the system calls it now: another name each time it was put back.
  [[nodiscard]] std::string where(const std::string& meter) const {
    return "/dev/" + meter + (puts_ > 0 ? "-" + std::to_string(puts_) : "");
  }
  [[nodiscard]] bool open() const { return port_ != nullptr; }

  class SimPort;

 private:
  friend class SimPort;
  Scheduler& scheduler_;
  bool in_ = true;
  int puts_ = 0;
  SimPort* port_ = nullptr;
};

/// What the service is built on in the simulation. Control socket, teller and page are stand-ins: the world asks the
/// service's own handler, counts what is told and shows nothing.
class SimEnvironment : public daemon::Environment {
 public:
  SimEnvironment(Scheduler& scheduler, SimClock& clock, SimDisk& disk)
      : scheduler_(scheduler), clock_(clock), disk_(disk) {}

  void connect(const std::string& meter, Plug* plug) { plugs_[meter] = plug; }
  /// Nothing of the service happens any more.
  void kill() { *alive_ = false; }
  void revive() { alive_ = std::make_shared<bool>(true); }
  /// As over the control socket; false: nobody listens.
  bool ask(daemon::ControlRequest request, std::function<void(std::string)> reply);
  [[nodiscard]] std::uint64_t told() const { return told_; }

  [[nodiscard]] const Clock& clock() const override { return clock_; }
  [[nodiscard]] std::unique_ptr<daemon::Timer> timer() override;
  [[nodiscard]] daemon::PortResult open_port(const config::MeterConfig& meter) override;
  [[nodiscard]] std::unique_ptr<daemon::Worker> start_worker(daemon::Work& work) override;
  [[nodiscard]] std::unique_ptr<daemon::ControlDoor> control_door(daemon::ControlDoor::Handler handler) override;
  [[nodiscard]] std::unique_ptr<daemon::Notifying> notifying(daemon::LogSink log) override;
  [[nodiscard]] std::unique_ptr<daemon::Showing> showing(daemon::PageParts parts) override;
  void watch_signals(const std::vector<int>&, std::function<void(int)>) override {}
  void post(std::function<void()> call) override;
  void run(const std::function<bool()>& done) override;
  void run_ready() override {}

 private:
  class SimTimer;
  class SimWorker;
  class SimDoor;
  friend class SimWorker;

  Scheduler& scheduler_;
  SimClock& clock_;
  SimDisk& disk_;
  std::map<std::string, Plug*> plugs_;
  std::shared_ptr<bool> alive_ = std::make_shared<bool>(true);
  SimDoor* door_ = nullptr;
  std::uint64_t told_ = 0;
};

}  // namespace nightwatt::world
