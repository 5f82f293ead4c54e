#include "night.hpp"

#include <sqlite3.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <limits>
#include <map>
#include <memory>
#include <new>
#include <optional>
#include <utility>

#include "daemon/service.hpp"
#include "figures/run_figures.hpp"
#include "figures/run_recorder.hpp"
#include "sim_memory.hpp"
#include "sim_meter.hpp"
#include "storage/run_edit.hpp"
#include "truth.hpp"

namespace nightwatt::world {
namespace {

using daemon::Service;

constexpr std::int64_t second_us = 1'000'000;
constexpr std::int64_t day_us = 86'400 * second_us;
constexpr UtcTime evening{1'767'646'800'000'000};  // 2026-01-05T21:00:00Z
/// A reading is stored `flush_s` after it came, and this is allowed for what a commit takes.
constexpr std::int64_t commit_us = second_us / 2;
/// After a trouble with the disk the next try is up to ten seconds away; see StorePipeline::longest_pause.
constexpr std::int64_t after_trouble_us = 12 * second_us;
/// A step of the calendar is noticed when a reading comes, and a second of a service's life later at most; it is
/// stored at once.
constexpr std::int64_t noticed_us = second_us + second_us / 10;
/// From this `flush_s` on a power cut takes back nothing that was committed (docs/format.md).
constexpr double written_at_once_s = 30.0;
/// What a power cut may take back otherwise: docs/format.md; the log is brought into the file every few minutes. A
/// machine that sleeps brings nothing there.
constexpr std::int64_t unsynced_us = 3'600 * second_us;
/// A service manager starts what died again.
constexpr std::int64_t start_again_us = 2 * second_us;

constexpr std::array<const char*, fault_kinds> names = {"kill",
                                                        "kill at a call",
                                                        "power cut",
                                                        "stop",
                                                        "disk full",
                                                        "disk error",
                                                        "disk slow",
                                                        "locked",
                                                        "memory",
                                                        "line",
                                                        "unplug",
                                                        "swap",
                                                        "counter reset",
                                                        "drift",
                                                        "clock step",
                                                        "clock slew",
                                                        "suspend",
                                                        "reload",
                                                        "begin",
                                                        "end",
                                                        "split",
                                                        "query",
                                                        "query at a call",
                                                        "second service",
                                                        "swap in the middle",
                                                        "counter wrap",
                                                        "daylight saving",
                                                        "leap second",
                                                        "mark",
                                                        "name",
                                                        "pin",
                                                        "forget",
                                                        "import",
                                                        "memory of its own",
                                                        "join",
                                                        "join by hand",
                                                        "split by hand",
                                                        "rot"};

enum class Death : std::uint8_t { none, kill, power_cut, stop };

class Life {
 public:
  Life(const Night& night, std::vector<std::string>* log)
      : night_(night),
        log_(log),
        random_(night.seed),
        scheduler_(night.seed ^ 0x5EED),
        clock_(scheduler_, evening),
        disk_(night.seed ^ 0xD15C),
        environment_(std::make_unique<SimEnvironment>(scheduler_, clock_, disk_)),
        bench_("bench", false, night.interval, night.seed ^ 0xB, scheduler_, clock_),
        shelf_("shelf", true, 2 * night.interval, night.seed ^ 0x5, scheduler_, clock_),
        truth_(disk_.path("night.db")),
        flush_us_(static_cast<std::int64_t>(night.flush_s * 1e6) + commit_us) {
    config_.store.flush_s = night.flush_s;
    config_.store.path = disk_.path("night.db");
    config_.meters = {bench_.config(), shelf_.config()};
    for (SimMeter* meter : {&bench_, &shelf_}) {
      environment_->connect(meter->name(), &meter->plug());
      truth_.know(meter);
    }
    disk_.on_call = [this](DiskCall call, std::string_view name) { return on_disk(call, name); };
  }
  ~Life() {
    unlock();
    memory_is_back();
  }
  Life(const Life&) = delete;
  Life& operator=(const Life&) = delete;

  Outcome live();

 private:
  struct Trouble {
    std::int64_t from_us = 0, to_us = 0;
  };

  void start();
  void go_on_until(std::int64_t end_us);
  void die();
  [[nodiscard]] bool come_to_an_end();
  static void memory_is_back();
  /// Lets the service do something; without memory of its own it ends there.
  template <class Do>
  void let(Do&& something);
  void befall(const Fault& fault);
  void on_machine(const Fault& fault, Random& draw);
  void on_meter(const Fault& fault, Random& draw);
  void by_people(const Fault& fault, Random& draw);
  void by_hand(FaultKind kind, const std::string& device, Random& draw);
  [[nodiscard]] Result<void> change(storage::StoreWriter& store, FaultKind kind, const std::string& device,
                                    const std::vector<storage::RunInfo>& runs, Random& draw);
  [[nodiscard]] static Result<void> import(storage::StoreWriter& store, const std::string& device, Random& draw);
  void note_change(FaultKind kind, const std::string& device, const std::vector<storage::RunInfo>& runs);
  void ask(daemon::ControlRequest request, const std::string& device);
  void join();
  [[nodiscard]] static Result<void> join_by_hand(storage::StoreWriter& store, const storage::RunInfo& first,
                                                 const std::vector<storage::RunInfo>& runs);
  [[nodiscard]] static Result<void> split_by_hand(storage::StoreWriter& store, const storage::RunInfo& run,
                                                  Random& draw);
  void query(bool within_a_call = false);
  void unlock();
  void trouble_until(std::int64_t to_us) { troubles_.push_back({now(), to_us}); }
  [[nodiscard]] bool troubled(std::int64_t since_us) const;
  [[nodiscard]] std::optional<DiskTrouble> on_disk(DiskCall call, std::string_view name);
  [[nodiscard]] static std::optional<DiskTrouble> disk_error(DiskCall call, int system_error);
  [[nodiscard]] static std::optional<DiskTrouble> disk_full(DiskCall call);
  [[nodiscard]] DiskTrouble die_at_once(Death death);
  void look(const End& end);
  void fail_with(const std::string& what) {
    if (outcome_.problem.empty()) outcome_.problem = what;
  }
  [[nodiscard]] std::int64_t now() const { return clock_.true_us(); }
  [[nodiscard]] daemon::LogSink log_sink();
  [[nodiscard]] SimMeter& meter(std::uint64_t which) { return which % 2 == 0 ? bench_ : shelf_; }

  const Night& night_;
  std::vector<std::string>* log_;
  Random random_;
  Scheduler scheduler_;
  SimClock clock_;
  SimDisk disk_;
  std::unique_ptr<SimEnvironment> environment_;
  SimMeter bench_, shelf_;
  Truth truth_;
  const std::int64_t flush_us_;
  config::ServiceConfig config_;
  daemon::Supervisor supervisor_;
  std::unique_ptr<Service> service_;
  Outcome outcome_;
  std::uint64_t boot_ = 0;
  Death death_ = Death::none;
  std::optional<std::int64_t> start_at_us_ = 0;
  std::int64_t lives_since_us_ = 0;   ///< the service that was last started
  std::int64_t steps_stored_us_ = 0;  ///< steps of the calendar up to here must be
  std::vector<Trouble> troubles_;
  std::int64_t morning_us_ = 0;  ///< when the night is over
  std::int64_t full_until_us_ = 0, errors_until_us_ = 0, slow_until_us_ = 0;
  std::uint64_t error_share_ = 20;
  std::uint64_t calls_to_death_ = 0, calls_to_query_ = 0;
  Death death_at_call_ = Death::none;
  bool rot_ = false;         ///< with the death that is due
  bool rotten_ = false;      ///< some of the store is damaged since
  bool quiet_disk_ = false;  ///< the world itself looks at the store
  sqlite3* locker_ = nullptr;
  std::map<std::string, Asked> asked_;
  bool by_hand_ = false;     ///< somebody asked since the last look for what may end a run
  std::uint64_t joins_ = 0;  ///< that were asked for since the last look
  int devices_ = 0;
  std::size_t chosen_ = 0;  ///< the run that a change is about
};

daemon::LogSink Life::log_sink() {
  return [this](daemon::LogLevel, std::string_view text) {
    const Turn ours(Turn::Whose::world);
    if (log_ != nullptr)
      log_->push_back(std::to_string(now() / second_us) + "." + std::to_string(now() / 1000 % 1000) + " " +
                      std::string(text));
  };
}

// True where the disk was unwell since then, or has not been well for long enough for the service to have noticed.
bool Life::troubled(std::int64_t since_us) const {
  return std::any_of(troubles_.begin(), troubles_.end(),
                     [&](const Trouble& trouble) { return trouble.to_us + after_trouble_us > since_us; });
}

std::optional<DiskTrouble> Life::on_disk(DiskCall call, std::string_view name) {
  if (quiet_disk_ || name.find("night.db") != 0 || name.find(".copy") != std::string_view::npos) return std::nullopt;
  ++outcome_.disk_calls;
  if (calls_to_death_ > 0 && --calls_to_death_ == 0) return die_at_once(death_at_call_);
  const bool a_chance =
      call != DiskCall::read && call != DiskCall::size && call != DiskCall::shm && scheduler_.now_us() < morning_us_;
  if (a_chance && ++outcome_.chances == night_.call) {
    if (night_.call_fault == CallFault::kill) return die_at_once(Death::kill);
    if (night_.call_fault == CallFault::power_cut) return die_at_once(Death::power_cut);
    trouble_until(now());
    if (night_.call_fault == CallFault::error) return disk_error(call, EIO);
    if (night_.call_fault == CallFault::full) return disk_full(call);
  }
  if (calls_to_query_ > 0 && --calls_to_query_ == 0) query(true);
  if (scheduler_.now_us() < slow_until_us_) disk_.spend(static_cast<std::int64_t>(random_() % 40'000));
  if (scheduler_.now_us() < full_until_us_)
    if (const auto full = disk_full(call)) return full;
  if (scheduler_.now_us() >= errors_until_us_ || random_() % error_share_ != 0) return std::nullopt;
  return disk_error(call, EIO);
}

/// Where more room is asked for: writes, and what a disk that puts things off says only when it must make good.
std::optional<DiskTrouble> Life::disk_full(DiskCall call) {
  if (call == DiskCall::write) return DiskTrouble{SQLITE_FULL, ENOSPC};
  if (call == DiskCall::sync || call == DiskCall::truncate) return disk_error(call, ENOSPC);
  return std::nullopt;
}

DiskTrouble Life::die_at_once(Death death) {
  death_ = death;
  disk_.kill();
  environment_->kill();
  return {SQLITE_IOERR, EIO};
}

std::optional<DiskTrouble> Life::disk_error(DiskCall call, int system_error) {
  switch (call) {
    case DiskCall::open:
      return DiskTrouble{SQLITE_CANTOPEN, system_error};
    case DiskCall::read:
      return DiskTrouble{SQLITE_IOERR_READ, system_error};
    case DiskCall::write:
      return DiskTrouble{SQLITE_IOERR_WRITE, system_error};
    case DiskCall::truncate:
      return DiskTrouble{SQLITE_IOERR_TRUNCATE, system_error};
    case DiskCall::sync:
      return DiskTrouble{SQLITE_IOERR_FSYNC, system_error};
    case DiskCall::lock:
      return DiskTrouble{SQLITE_IOERR_LOCK, system_error};
    case DiskCall::shm:
      return DiskTrouble{SQLITE_IOERR_SHMMAP, system_error};
    case DiskCall::size:
      return DiskTrouble{SQLITE_IOERR_FSTAT, system_error};
    case DiskCall::remove:
      return DiskTrouble{SQLITE_IOERR_DELETE, system_error};
  }
  return std::nullopt;
}

void Life::start() {
  start_at_us_.reset();
  ++boot_;
  ++outcome_.starts;
  environment_->revive();
  for (SimMeter* one : {&bench_, &shelf_}) one->heard_by(boot_);
  Result<std::unique_ptr<Service>> made = fail(ErrorKind::unusable, "no memory");
  let([&] {
    made = Service::make(config_, {*environment_,
                                   supervisor_,
                                   log_sink(),
                                   [this] { return Result<config::ServiceConfig>(config_); },
                                   false,
                                   {},
                                   clock_.boot_id()});
  });
  if (death_ != Death::none) {
    if (made) service_ = std::move(*made);
    return;
  }
  if (!made) {
    if (!troubled(now())) fail_with("would not start: " + made.error().message);
    start_at_us_ = scheduler_.now_us() + start_again_us;
    return;
  }
  service_ = std::move(*made);
  lives_since_us_ = scheduler_.now_us();
  let([&] { service_->start(); });
}

template <class Do>
void Life::let(Do&& something) {
  try {
    const Turn services(Turn::Whose::service);
    something();
  } catch (const std::bad_alloc&) {
    (void)die_at_once(Death::kill);
  }
}

void Life::memory_is_back() {
  fail_allocations(0, 0);
  fail_new(0, 0);
}

void Life::go_on_until(std::int64_t end_us) {
  while (outcome_.problem.empty() && scheduler_.now_us() < end_us) {
    if (!service_ && start_at_us_ && *start_at_us_ <= scheduler_.now_us()) start();
    if (death_ != Death::none) die();
    const std::int64_t next = start_at_us_ ? std::min(end_us, std::max(*start_at_us_, scheduler_.now_us())) : end_us;
    try {
      (void)scheduler_.step(next);
    } catch (const std::bad_alloc&) {
      (void)die_at_once(Death::kill);
    }
    if (death_ != Death::none) die();
  }
}

/// Whether all was stored.
bool Life::come_to_an_end() {
  bool stored_all = false;
  let([&] { service_->stop(); });
  while (death_ == Death::none && !service_->stopped()) (void)scheduler_.step(scheduler_.now_us() + second_us);
  if (death_ == Death::none) let([&] { stored_all = service_->finish(); });
  return death_ == Death::none && stored_all;
}

// Only here, never from within one of its own calls.
void Life::die() {
  Death death = std::exchange(death_, Death::none);
  const std::int64_t died_us = now();
  const std::int64_t awake_us = scheduler_.now_us();
  std::int64_t safe_us = clock_.awake_before(died_us, flush_us_);
  calls_to_death_ = 0;
  calls_to_query_ = 0;
  memory_is_back();
  const bool clean = death == Death::stop && service_ && come_to_an_end();
  if (clean) safe_us = died_us - 1;
  environment_->kill();
  disk_.kill();
  unlock();
  const bool ran = service_ != nullptr;
  service_.reset();
  const bool well = !troubled(now()) && death != Death::none;
  const std::string machine = clock_.boot_id();
  const SimClock clock_before = clock_;
  const bool takes_back = death == Death::power_cut && night_.flush_s < written_at_once_s;
  if (death == Death::power_cut) {
    disk_.lose_power(random_);
    clock_.boot();
  }
  // One trouble after the other: nothing was stored since the first of them.
  std::int64_t well_until_us = died_us;
  for (auto trouble = troubles_.rbegin(); trouble != troubles_.rend(); ++trouble)
    if (trouble->to_us + after_trouble_us > well_until_us) well_until_us = std::min(well_until_us, trouble->from_us);
  safe_us = std::min(safe_us, well_until_us < died_us ? clock_.awake_before(well_until_us, flush_us_) : safe_us);
  if (awake_us - lives_since_us_ >= noticed_us) steps_stored_us_ = awake_us - noticed_us;
  const std::int64_t troubled_us = well_until_us < died_us ? safe_us - noticed_us : died_us;
  const std::vector<std::int64_t> calendars = takes_back ? clock_before.calendars_since(died_us, awake_us - unsynced_us)
                                                         : clock_before.calendars_since(troubled_us, steps_stored_us_);
  start_at_us_ = scheduler_.now_us() + start_again_us;
  for (SimMeter* one : {&bench_, &shelf_}) one->excuse();
  const bool rots = std::exchange(rot_, false);
  const bool killed = death == Death::kill || (death == Death::power_cut && !takes_back);
  look({boot_, takes_back, safe_us, calendars, machine, killed, clean && well, std::exchange(joins_, 0),
        std::exchange(by_hand_, false), well, ran});
  if (rots && outcome_.problem.empty()) {
    rotten_ = true;
    truth_.expect_damage();
    disk_.rot("night.db", random_);
  }
}

void Life::look(const End& end) {
  quiet_disk_ = true;
  if (std::string problem = truth_.look(end, asked_); !problem.empty()) fail_with(problem);
  quiet_disk_ = false;
}

void Life::unlock() {
  if (locker_ == nullptr) return;
  sqlite3_exec(locker_, "ROLLBACK", nullptr, nullptr, nullptr);
  sqlite3_close(std::exchange(locker_, nullptr));
}

// Whoever reads the store at any moment gets an answer. Within a call of the service nothing goes on, and a lock that
// it holds there for a moment, while it brings the log in, is never given back.
void Life::query(bool within_a_call) {
  const bool quiet = std::exchange(quiet_disk_, true);
  const bool excused = rotten_ || troubled(now()) || locker_ != nullptr || !service_ || death_ != Death::none;
  const auto wrong = [&](const std::string& what) {
    if (within_a_call && what.find("keeps the store locked") != std::string::npos) return;
    if (!excused) fail_with("a query at a bad moment: " + what);
  };
  const auto store = storage::StoreReader::open(config_.store.path);
  if (!store) wrong(store.error().message);
  if (store) {
    const auto runs = store->runs();
    if (!runs) wrong(runs.error().message);
    if (runs && !runs->empty())
      if (const auto figures = figures::run_figures(*store, runs->back().id); !figures) wrong(figures.error().message);
    if (const auto status = store->status(); !status) wrong(status.error().message);
  }
  quiet_disk_ = quiet;
}

void Life::ask(daemon::ControlRequest request, const std::string& device) {
  if (!device.empty()) asked_[device] = {device, false, false, false};
  (void)environment_->ask(std::move(request), [this, device](const std::string& answer) {
    if (device.empty()) return;
    const auto known = asked_.find(device);
    if (known != asked_.end())
      known->second = {device, true, answer.find("\"ok\":true") != std::string::npos, known->second.undone};
  });
}

void Life::on_machine(const Fault& fault, Random& draw) {
  const std::int64_t now_us = scheduler_.now_us();
  const auto lasting_us = static_cast<std::int64_t>((1 + draw() % 30) * second_us);
  const auto deadly = [&](Death death) {
    death_at_call_ = death;
    calls_to_death_ = 1 + draw() % 400;
  };
  switch (fault.kind) {
    case FaultKind::kill:
      death_ = Death::kill;
      return;
    case FaultKind::rot:
      rot_ = true;
      death_ = Death::kill;
      return;
    case FaultKind::kill_at_call:
      return deadly(Death::kill);
    case FaultKind::power_cut:
      return deadly(Death::power_cut);
    case FaultKind::stop:
      death_ = Death::stop;
      return;
    case FaultKind::disk_full:
      full_until_us_ = now_us + lasting_us;
      return trouble_until(now() + lasting_us);
    case FaultKind::disk_error:
      errors_until_us_ = now_us + lasting_us;
      error_share_ = 1 + draw() % 50;
      return trouble_until(now() + lasting_us);
    case FaultKind::disk_slow:
      slow_until_us_ = now_us + lasting_us;
      return trouble_until(now() + lasting_us);
    case FaultKind::no_memory:
      fail_allocations(1 + draw() % 2000, draw() % 3);
      scheduler_.after(Duration{lasting_us}, [] { fail_allocations(0, 0); });
      return trouble_until(now() + lasting_us);
    case FaultKind::no_memory_of_its_own:
      fail_new(1 + draw() % 2000, draw() % 3);
      scheduler_.after(Duration{lasting_us}, [] { fail_new(0, 0); });
      return trouble_until(now() + lasting_us);
    case FaultKind::locked:
      if (locker_ != nullptr || sqlite3_open(config_.store.path.c_str(), &locker_) != SQLITE_OK) return;
      sqlite3_exec(locker_, "BEGIN IMMEDIATE", nullptr, nullptr, nullptr);
      trouble_until(now() + lasting_us);
      scheduler_.after(Duration{lasting_us}, [this] { unlock(); });
      return;
    case FaultKind::suspend: {
      const auto asleep_us = static_cast<std::int64_t>((1 + draw() % 3'600) * second_us);
      for (SimMeter* one : {&bench_, &shelf_}) one->excuse();
      for (Trouble& trouble : troubles_)
        if (trouble.to_us > now()) trouble.to_us += asleep_us;
      clock_.fall_asleep(Duration{asleep_us});
      for (SimMeter* one : {&bench_, &shelf_}) one->slept(Duration{asleep_us});
      return;
    }
    default:
      return;
  }
}

void Life::on_meter(const Fault& fault, Random& draw) {
  SimMeter& one = meter(draw());
  switch (fault.kind) {
    case FaultKind::line: {
      const auto kind = static_cast<LineFault>(1 + draw() % (line_faults - 1));
      return one.fault(kind, static_cast<int>(1 + draw() % 20));
    }
    case FaultKind::unplug:
      if (!one.plug().in()) return;
      one.pull();
      scheduler_.after(Duration{static_cast<std::int64_t>(draw() % 40'000'000)}, [&one] { one.put(); });
      return;
    case FaultKind::swap:
      return one.swap();
    case FaultKind::swap_in_the_middle:
      return one.swap_in_the_middle();
    case FaultKind::counter_wrap:
      return one.near_wrap();
    case FaultKind::counter_reset:
      return one.reset_counter();
    case FaultKind::drift:
      return one.drift(static_cast<std::int64_t>(draw() % 20'000) - 10'000);
    case FaultKind::clock_step: {
      constexpr std::array<std::int64_t, 8> steps = {second_us / 2, 2 * second_us,  3'600 * second_us,  day_us,
                                                     400 * day_us,  -2 * second_us, -3'600 * second_us, -400 * day_us};
      const std::uint64_t kind = draw() % (steps.size() + 2);
      if (kind == steps.size()) return clock_.set_utc({static_cast<std::int64_t>(draw() % 1'000'000'000)});  // 1970
      if (kind > steps.size()) return clock_.set_utc(evening + Duration{now()});
      return clock_.step(Duration{steps[kind]});
    }
    case FaultKind::daylight_saving: {
      const Duration hour{(draw() % 2 == 0 ? 3'600 : -3'600) * second_us};
      clock_.step(hour);
      scheduler_.after(Duration{static_cast<std::int64_t>(draw() % 8'000'000)}, [this, hour] { clock_.step(-hour); });
      return;
    }
    case FaultKind::leap_second:  // the calendar says the last second of the day twice
      return clock_.step(Duration{-second_us});
    case FaultKind::clock_slew:
      return clock_.slew(static_cast<std::int64_t>(draw() % 1'000) - 500);
    default:
      return;
  }
}

// As another program does it, beside the service or without one. Trouble with the disk is its own affair: it says no.
void Life::by_hand(FaultKind kind, const std::string& device, Random& draw) {
  const bool quiet = std::exchange(quiet_disk_, true);
  if (locker_ == nullptr && death_ == Death::none) {
    storage::StoreSettings settings;
    settings.flush_s = std::numeric_limits<double>::infinity();  // as `nightwatt` opens it
    auto store = storage::StoreWriter::open(config_.store.path, settings);
    const auto runs =
        store ? store->reader().runs() : Result<std::vector<storage::RunInfo>>(tl::unexpected(store.error()));
    if (runs && store->begin()) {
      const auto done = change(*store, kind, device, *runs, draw);
      if (!done || !store->commit())
        store->rollback();
      else
        note_change(kind, device, *runs);
    }
  }
  quiet_disk_ = quiet;
}

Result<void> Life::change(storage::StoreWriter& store, FaultKind kind, const std::string& device,
                          const std::vector<storage::RunInfo>& runs, Random& draw) {
  chosen_ = runs.empty() ? 0 : draw() % runs.size();
  if (kind == FaultKind::import) return import(store, device, draw);
  if (runs.empty()) return fail(ErrorKind::negative, "no run");
  const storage::RunInfo& run = runs[chosen_];
  if (kind == FaultKind::mark)
    return store.apply(
        storage::Mark{0, run.id, std::nullopt, run.begin + Duration{second_us}, "door opened", std::nullopt});
  if (kind == FaultKind::name) return store.apply(storage::NameRun{run.id, device});
  if (kind == FaultKind::pin) return store.apply(storage::PinRun{run.id, draw() % 2 == 0});
  if (kind == FaultKind::join_by_hand) return join_by_hand(store, run, runs);
  if (kind == FaultKind::split_by_hand) return split_by_hand(store, run, draw);
  return run.end ? store.apply(storage::ForgetRun{run.id}) : Result<void>(fail(ErrorKind::negative, "open"));
}

/// With the next of its meter, where that has ended too.
Result<void> Life::join_by_hand(storage::StoreWriter& store, const storage::RunInfo& first,
                                const std::vector<storage::RunInfo>& runs) {
  const storage::RunInfo* next = nullptr;
  for (const storage::RunInfo& run : runs)
    if (run.stream == first.stream && run.begin > first.begin && (next == nullptr || run.begin < next->begin))
      next = &run;
  if (!first.end || next == nullptr || !next->end || next->begin < *first.end)
    return fail(ErrorKind::negative, "no neighbours");
  storage::RunInfo whole = first;
  whole.end = next->end;
  auto builder = figures::RunRecorder::over(store.reader(), whole);
  if (!builder) return tl::unexpected(builder.error());
  if (auto taken = storage::take_into(store, first, next->id, next->end); !taken) return taken;
  return builder->finish(store, *next->end);
}

/// In the middle of it.
Result<void> Life::split_by_hand(storage::StoreWriter& store, const storage::RunInfo& run, Random& draw) {
  if (!run.end || !run.meter) return fail(ErrorKind::negative, "open");
  const std::int64_t length_us = (*run.end - run.begin).count();
  if (length_us < 2) return fail(ErrorKind::negative, "too short");
  storage::RunInfo first = run;
  first.end = run.begin + Duration{static_cast<std::int64_t>(draw() % static_cast<std::uint64_t>(length_us - 1))};
  storage::NewRun second;
  second.stream = run.stream;
  second.origin = run.origin;
  second.begin = *first.end + Duration{1};
  second.traits = run.traits;
  second.shortest_segment_s = run.shortest_segment_s;
  auto builder = figures::RunRecorder::over(store.reader(), first);
  if (!builder) return tl::unexpected(builder.error());
  Result<void> done = store.apply(storage::ClearRunState{run.id});
  if (done) done = builder->finish(store, *first.end);
  const auto id = done ? store.open_run(second) : Result<storage::RunId>(tl::unexpected(done.error()));
  if (!id) return tl::unexpected(id.error());
  done = store.apply(storage::CloseRun{*id, *run.end, 0});
  return done ? figures::resegment(store, *id) : done;
}

/// Readings of another night, of a file.
Result<void> Life::import(storage::StoreWriter& store, const std::string& device, Random& draw) {
  std::vector<Reading> readings(1 + draw() % 500);
  for (std::size_t i = 0; i < readings.size(); ++i) {
    readings[i].time = evening - Duration{day_us} + Duration{static_cast<std::int64_t>(i) * second_us};
    readings[i].values.set(Quantity::power, Decimal{static_cast<std::int64_t>(draw() % 50), 0});
  }
  storage::NewRun run;
  const auto stream = store.new_import_stream();
  if (!stream) return tl::unexpected(stream.error());
  run.stream = *stream;
  run.origin = storage::RunOrigin::imported;
  run.device = device;
  run.begin = readings.front().time;
  run.pinned = true;
  Result<void> done = store.apply(storage::AppendReadings{*stream, readings});
  const auto id = done ? store.open_run(run) : Result<storage::RunId>(tl::unexpected(done.error()));
  if (!id) return tl::unexpected(id.error());
  done = store.apply(storage::PublishImport{*stream});
  if (done) done = store.apply(storage::CloseRun{*id, readings.back().time});
  return done ? figures::resegment(store, *id) : done;
}

void Life::note_change(FaultKind kind, const std::string& device, const std::vector<storage::RunInfo>& runs) {
  const bool took_name = kind == FaultKind::name || kind == FaultKind::forget;
  if (took_name && runs[chosen_].device) asked_[*runs[chosen_].device] = {*runs[chosen_].device, true, true, true};
  if (kind == FaultKind::join_by_hand) ++joins_;
  if (kind == FaultKind::name || kind == FaultKind::import) asked_[device] = {device, true, true, false};
}

void Life::by_people(const Fault& fault, Random& draw) {
  const std::string device = "Device " + std::to_string(++devices_);
  switch (fault.kind) {
    case FaultKind::begin: {
      daemon::BeginRequest request;
      request.device = device;
      request.meter = meter(draw()).name();
      if (draw() % 3 == 0) request.at = clock_.utc() - Duration{static_cast<std::int64_t>(draw() % 30'000'000)};
      return ask(std::move(request), device);
    }
    case FaultKind::end: {
      daemon::EndRequest request;
      request.meter = meter(draw()).name();
      if (draw() % 3 == 0) request.at = clock_.utc() - Duration{static_cast<std::int64_t>(draw() % 30'000'000)};
      return ask(std::move(request), {});
    }
    case FaultKind::split:
      return ask(daemon::SplitRequest{static_cast<storage::RunId>(1 + draw() % 8),
                                      clock_.utc() - Duration{static_cast<std::int64_t>(draw() % 20'000'000)}},
                 {});
    case FaultKind::join:
      ++joins_;
      return ask(daemon::JoinRequest{static_cast<storage::RunId>(1 + draw() % 8)}, {});
    case FaultKind::reload:
      if (!service_) return;
      config_.store.flush_s = draw() % 2 == 0 ? night_.flush_s : night_.flush_s / 2.0;
      if (draw() % 2 == 0) {
        shelf_.excuse();
        config_.meters.resize(1);
        if (draw() % 2 == 0) config_.meters.push_back(shelf_.config());
      }
      return let([&] { service_->reload(); });
    case FaultKind::mark:
    case FaultKind::name:
    case FaultKind::pin:
    case FaultKind::forget:
    case FaultKind::import:
    case FaultKind::join_by_hand:
    case FaultKind::split_by_hand:
      return by_hand(fault.kind, device, draw);
    case FaultKind::query:
      return query();
    case FaultKind::query_at_call:
      calls_to_query_ = 1 + draw() % 40;
      return;
    case FaultKind::second_service: {
      if (!service_ || troubled(now())) return;
      SimEnvironment other(scheduler_, clock_, disk_);
      const auto second = Service::make(config_, {other,
                                                  supervisor_,
                                                  [](daemon::LogLevel, std::string_view) {},
                                                  [this] { return Result<config::ServiceConfig>(config_); },
                                                  false,
                                                  {},
                                                  clock_.boot_id()});
      if (second) fail_with("a second service was let in");
      return;
    }
    default:
      return;
  }
}

bool may_end_a_run(FaultKind kind) {
  switch (kind) {
    case FaultKind::begin:
    case FaultKind::end:
    case FaultKind::split:
    case FaultKind::join:
    case FaultKind::split_by_hand:
    case FaultKind::join_by_hand:
      return true;
    default:
      return false;
  }
}

void Life::befall(const Fault& fault) {
  ++outcome_.faults;
  if (log_ != nullptr) log_->push_back(std::to_string(now() / second_us) + " -- " + fault_name(fault.kind));
  by_hand_ = by_hand_ || may_end_a_run(fault.kind);
  Random draw(fault.detail);
  on_machine(fault, draw);
  on_meter(fault, draw);
  by_people(fault, draw);
}

Outcome Life::live() {
  const std::int64_t begin_us = scheduler_.now_us();
  for (const Fault& fault : night_.faults) scheduler_.at(begin_us + fault.at_us, [this, &fault] { befall(fault); });
  start_at_us_ = begin_us;
  morning_us_ = begin_us + night_.length.count();
  if (night_.call_fault == CallFault::no_memory) fail_allocations(night_.call, 0);
  if (night_.call_fault == CallFault::no_memory_of_its_own) fail_new(night_.call, 0);
  if (night_.call_fault >= CallFault::no_memory) trouble_until(now() + night_.length.count());
  go_on_until(morning_us_);
  // Morning: everything is well for long enough that nothing excuses a loss.
  memory_is_back();
  full_until_us_ = errors_until_us_ = slow_until_us_ = 0;
  calls_to_death_ = 0;
  const std::int64_t morning_us = night_.call > 0 ? after_trouble_us + flush_us_ : 3 * after_trouble_us;
  if (outcome_.problem.empty()) go_on_until(scheduler_.now_us() + morning_us);
  if (outcome_.problem.empty() && service_) {
    death_ = Death::stop;
    die();
  }
  outcome_.readings = truth_.readings();
  return outcome_;
}

}  // namespace

std::string fault_name(FaultKind kind) {
  return names[static_cast<std::size_t>(kind)];
}

Night brief_moment() {
  Night night{5, Duration{7 * second_us}, {}};
  std::int64_t at_us = 0;
  constexpr std::uint64_t detail = 11;
  for (const FaultKind kind : {FaultKind::begin, FaultKind::end, FaultKind::stop})
    night.faults.push_back({at_us += 1'700'000, kind, detail});
  return night;
}

Night busy_moment() {
  Night night{3, Duration{20 * second_us}, {}};
  std::int64_t at_us = 0;
  constexpr std::uint64_t detail = 11;
  for (const FaultKind kind : {FaultKind::begin, FaultKind::clock_step, FaultKind::split, FaultKind::reload,
                               FaultKind::end, FaultKind::stop, FaultKind::begin})
    night.faults.push_back({at_us += 2'500'000, kind, detail});
  return night;
}

Night with_call_fault(Night night, CallFault fault, std::uint64_t call) {
  night.call_fault = fault;
  night.call = call;
  return night;
}

Night make_night(std::uint64_t seed, Duration length, std::size_t faults) {
  Random random(seed);
  Night night{seed, length, {}};
  constexpr Duration short_night{3'600 * second_us};
  constexpr std::array<std::int64_t, 4> slower = {2, 5, 10, 15};
  if (length >= short_night) night.interval *= slower[random() % slower.size()];
  const auto add = [&](FaultKind kind) {
    std::int64_t at_us = static_cast<std::int64_t>(random() % static_cast<std::uint64_t>(length.count()));
    // Half of all come right behind another one: it is two in the same second that nobody has thought of.
    constexpr std::uint64_t right_behind_us = 3 * second_us;
    if (!night.faults.empty() && random() % 2 == 0)
      at_us = std::min(night.faults.back().at_us + static_cast<std::int64_t>(random() % right_behind_us),
                       length.count() - 1);
    night.faults.push_back({at_us, kind, random()});
  };
  constexpr std::uint64_t one_in = 4;
  if (length >= short_night && seed % one_in == 0) night.flush_s = 2.0 * written_at_once_s;  // or half of it
  const bool rots = faults > 0 && random() % 2 == 0;
  if (rots) add(FaultKind::rot);
  while (night.faults.size() < faults) add(static_cast<FaultKind>(random() % (fault_kinds - 1)));
  std::sort(night.faults.begin(), night.faults.end(), [](const Fault& a, const Fault& b) { return a.at_us < b.at_us; });
  return night;
}

Outcome live(const Night& night, std::vector<std::string>* log) {
  return Life(night, log).live();
}

Night made_smaller(const Night& night, std::size_t tries) {
  Night smallest = night;
  const auto still_fails = [&](const Night& candidate) {
    if (tries == 0) return false;
    --tries;
    if (live(candidate).problem.empty()) return false;
    smallest = candidate;
    return true;
  };
  for (std::size_t piece = std::max<std::size_t>(1, smallest.faults.size() / 2); piece > 0; piece /= 2) {
    for (std::size_t from = 0; from < smallest.faults.size();) {
      Night candidate = smallest;
      const auto begin = candidate.faults.begin() + static_cast<std::ptrdiff_t>(from);
      const auto count = std::min(piece, candidate.faults.size() - from);
      candidate.faults.erase(begin, begin + static_cast<std::ptrdiff_t>(count));
      if (!still_fails(candidate)) from += piece;
    }
  }
  for (int i = 0; i < 6; ++i) {
    Night candidate = smallest;
    candidate.length = smallest.length * 2 / 3;
    std::erase_if(candidate.faults, [&](const Fault& fault) { return fault.at_us > candidate.length.count(); });
    if (!still_fails(candidate)) break;
  }
  return smallest;
}

std::string night_text(const Night& night) {
  std::string text = "seed " + std::to_string(night.seed) + ", " + std::to_string(night.length.count() / second_us) +
                     " s, interval " + std::to_string(night.interval.count() / second_us) + " s, flush_s " +
                     std::to_string(static_cast<int>(night.flush_s)) + ", " + std::to_string(night.faults.size()) +
                     " faults";
  constexpr std::array<const char*, 7> at_call = {"",          "kill",      "power cut",           "error",
                                                  "full disk", "no memory", "no memory of its own"};
  if (night.call > 0)
    text += std::string(", ") + at_call[static_cast<std::size_t>(night.call_fault)] + " at call " +
            std::to_string(night.call);
  for (const Fault& fault : night.faults)
    text += "\n  " + std::to_string(fault.at_us / 1000) + " ms  " + fault_name(fault.kind) + " (" +
            std::to_string(fault.detail) + ")";
  return text;
}

}  // namespace nightwatt::world
