#include "daemon/service.hpp"

#include <algorithm>
#include <atomic>
#include <csignal>
#include <optional>
#include <type_traits>
#include <utility>
#include <vector>

#include "daemon/reading_queue.hpp"
#include "daemon/status_page.hpp"
#include "daemon/store_pipeline.hpp"
#include "daemon/time_keeper.hpp"
#include "drivers/decoder.hpp"
#include "notification_watch.hpp"
#include "page/state.hpp"
#include "port_link.hpp"
#include "store_rounds.hpp"

namespace nightwatt::daemon {

namespace {

// Readings wait in memory while another program has the store, so there is no need to wait long at a stretch; a stop
// that comes meanwhile waits twice at most, which keeps it under the 2 s it may take.
constexpr int busy_timeout_ms = 700;

RecorderSettings recorder_settings(const config::MeterConfig& meter) {
  return {meter.name,       meter.profile.traits(),   meter.auto_runs,
          meter.auto_end_s, meter.shortest_segment_s, meter.auto_name};
}

storage::StoreSettings store_settings(const config::StoreConfig& store) {
  storage::StoreSettings settings;
  settings.keep_raw_days = store.keep_raw_days;
  settings.max_size_mb = store.max_size_mb;
  settings.flush_s = store.flush_s;
  settings.busy_timeout_ms = busy_timeout_ms;
  return settings;
}

// A batch starts early enough that its commit is over when its oldest reading is `flush_s` old.
Duration batch_time(double flush_s) {
  return to_duration({flush_s * 0.8});
}

}  // namespace

class Service::Impl {
 public:
  Impl(config::ServiceConfig config, ServiceParts parts)
      : config_(std::move(config)),
        parts_(std::move(parts)),
        environment_(parts_.environment),
        watchdog_timer_(environment_.timer()),
        calendar_timer_(environment_.timer()),
        door_(environment_.control_door([this](ControlRequest request, ControlDoor::Reply reply) {
          handle(std::move(request), std::move(reply));
        })),
        queue_(clock()),
        pipeline_(config_.store.path, store_settings(config_.store), queue_, state_, clock(), parts_.log),
        rounds_(queue_, pipeline_, state_, clock(), batch_time(config_.store.flush_s)),
        notifier_(environment_.notifying(parts_.log)),
        page_(environment_.showing({clock(), parts_.log, config_.store.path, [this](auto reply) {
                                      environment_.post([this, reply = std::move(reply)] { reply(page_state()); });
                                    }})) {}

  ~Impl() { join(); }
  Impl(const Impl&) = delete;
  Impl& operator=(const Impl&) = delete;

  Result<void> open();
  void start();
  [[nodiscard]] bool stopped() const { return stopping_; }
  bool finish();
  bool run();
  void stop() {
    environment_.post([this] { shut_down(); });
  }
  void reload() {
    environment_.post([this] { take_new_config(); });
  }

 private:
  Result<std::shared_ptr<PortLink>> make_link(const config::MeterConfig& meter, std::optional<UtcTime> last);
  [[nodiscard]] std::vector<const MeterSession*> sessions() const;
  void put_event(storage::EventKind kind, std::string detail);
  void on_signal(int signal);
  void shut_down();
  void take_new_config();
  Result<void> change_meters(const config::ServiceConfig& fresh);
  void handle(ControlRequest request, ControlDoor::Reply reply);
  void ask_store(RunRequest request, ControlDoor::Reply reply);
  [[nodiscard]] std::string captured(const CaptureRequest& request);
  [[nodiscard]] std::string why_not() const;
  ServiceStatus service_status() const;
  page::State page_state();
  void show_page(const config::PageConfig& page);
  void watch();
  void watch_calendar();
  void join();
  [[nodiscard]] const Clock& clock() const { return environment_.clock(); }
  void say(LogLevel level, const std::string& text) const { parts_.log(level, text); }
  void warn(const config::ServiceConfig& config) const {
    for (const std::string& warning : config.warnings) say(LogLevel::warning, warning);
  }

  config::ServiceConfig config_;
  ServiceParts parts_;
  Environment& environment_;
  std::unique_ptr<Timer> watchdog_timer_, calendar_timer_;
  std::unique_ptr<ControlDoor> door_;
  ReadingQueue queue_;
  PipelineState state_;
  StorePipeline pipeline_;
  StoreRounds rounds_;
  std::optional<TimeKeeper> time_;
  std::unique_ptr<Notifying> notifier_;
  std::optional<NotificationWatch> notification_watch_;
  std::vector<std::shared_ptr<PortLink>> links_;
  MeterId next_meter_ = 0;
  UtcTime since_;
  std::uint64_t seen_beats_ = 0;
  std::uint64_t lost_before_ = 0;  ///< by meters that a reload took away
  bool stopping_ = false;
  std::unique_ptr<Worker> store_worker_;
  std::unique_ptr<Showing> page_;
};

Result<void> Service::Impl::open() {
  // The socket first: whoever has it is asked before the store is touched.
  if (auto listening = door_->listen(config_.control_socket); !listening) return listening;
  StorePipeline::Meters meters;
  for (const config::MeterConfig& meter : config_.meters) meters.emplace_back(next_meter_++, recorder_settings(meter));
  const auto opened = pipeline_.open(meters);
  if (!opened) return tl::unexpected(opened.error());
  time_.emplace(clock(), queue_, parts_.log, opened->newest, opened->utc_offsets, opened->clock, parts_.boot);
  if (!opened->looked) time_->announce_utc_offset(time_->now());
  notification_watch_.emplace(environment_.timer(), *time_, state_, *notifier_, [this] { return sessions(); });
  pipeline_.on_run_ended([this](const RunEnded& ended) {
    notifier_->tell(run_ended_message(ended));
    for (const std::string& moved : ended.moved) notifier_->tell(level_moved_message(ended, moved));
  });
  since_ = clock().utc();
  if (opened->killed) say(LogLevel::warning, "the last service did not stop cleanly; open runs go on with a gap");
  put_event(storage::EventKind::service_started, std::string("version ") + NIGHTWATT_VERSION);
  next_meter_ = 0;
  for (const config::MeterConfig& meter : config_.meters) {
    const auto last = std::find_if(opened->last.begin(), opened->last.end(),
                                   [&](const auto& entry) { return entry.first == next_meter_; });
    auto link = make_link(meter, last == opened->last.end() ? std::nullopt : last->second);
    if (!link) return tl::unexpected(link.error());
    links_.push_back(std::move(*link));
  }
  return {};
}

Result<std::shared_ptr<PortLink>> Service::Impl::make_link(const config::MeterConfig& meter,
                                                           std::optional<UtcTime> last) {
  auto decoder = drivers::make_decoder(meter.profile);
  if (!decoder) return tl::unexpected(decoder.error());
  auto session =
      std::make_unique<MeterSession>(next_meter_++, meter.name, meter.profile.interval, std::move(*decoder), *time_,
                                     queue_, parts_.log, last, Reporting{meter.profile.on_change, meter.profile.gap_s});
  return std::make_shared<PortLink>(environment_, meter, std::move(session), *time_);
}

std::vector<const MeterSession*> Service::Impl::sessions() const {
  std::vector<const MeterSession*> result;
  for (const auto& link : links_) result.push_back(&link->session());
  return result;
}

void Service::Impl::put_event(storage::EventKind kind, std::string detail) {
  storage::Event event;
  event.kind = kind;
  event.at = time_->stamp(time_->now());
  event.detail = std::move(detail);
  queue_.push_always(std::move(event));
}

void Service::Impl::start() {
  if (parts_.handle_signals)
    environment_.watch_signals({SIGTERM, SIGINT, SIGHUP}, [this](int signal) { on_signal(signal); });
  store_worker_ = environment_.start_worker(rounds_);
  queue_.on_wake([this] { store_worker_->wake(); });
  for (const auto& link : links_) link->start();
  show_page(config_.page);
  notification_watch_->configure(config_.tells);
  parts_.supervisor.ready();
  watch();
  watch_calendar();
  warn(config_);
  say(LogLevel::info, "recording " + std::to_string(links_.size()) + " meter(s) into " + config_.store.path);
}

bool Service::Impl::finish() {
  join();
  if (const std::uint64_t lost = rounds_.left_over(); lost > 0)
    say(LogLevel::error, "the last readings could not be stored: " + std::to_string(lost) + " are lost");
  page_->stop();  // after the store: a report that is being made must not delay the last readings
  notifier_->stop();
  environment_.run_ready();  // the last answers
  door_->stop();
  return rounds_.stored_all();
}

bool Service::Impl::run() {
  start();
  environment_.run([this] { return stopping_; });
  return finish();
}

void Service::Impl::join() {
  queue_.stop();
  if (store_worker_) store_worker_->join();
}

void Service::Impl::on_signal(int signal) {
  if (signal == SIGHUP) return take_new_config();
  say(LogLevel::info, signal == SIGTERM ? "stopping: SIGTERM" : "stopping: SIGINT");
  shut_down();
}

void Service::Impl::shut_down() {
  if (std::exchange(stopping_, true)) return;
  parts_.supervisor.stopping();
  for (const auto& link : links_) link->stop();
  notification_watch_->stop();
  time_->observe(time_->now());  // the calendar may have been put right since the last reading
  rounds_.stop_at(time_->stamp(time_->now()));
}

void Service::Impl::take_new_config() {
  parts_.supervisor.reloading();
  auto fresh = parts_.reload();
  Result<void> changed = fresh ? change_meters(*fresh) : Result<void>(tl::unexpected(fresh.error()));
  if (!changed) {
    say(LogLevel::error, "config not taken, the old one stays: " + changed.error().message);
  } else {
    warn(*fresh);
    say(LogLevel::info, "config reloaded");
  }
  parts_.supervisor.ready();
}

// All new links are made before any old one is touched, so that a config that cannot be used changes nothing.
Result<void> Service::Impl::change_meters(const config::ServiceConfig& fresh) {
  std::vector<std::shared_ptr<PortLink>> links;
  std::vector<std::shared_ptr<PortLink>> added;
  for (const config::MeterConfig& meter : fresh.meters) {
    const auto old =
        std::find_if(links_.begin(), links_.end(), [&](const auto& link) { return link->config().name == meter.name; });
    if (old != links_.end() && (*old)->config() == meter) {
      links.push_back(*old);
      continue;
    }
    auto link = make_link(meter, old == links_.end() ? std::nullopt : (*old)->session().last_stamp());
    if (!link) return tl::unexpected(link.error());
    links.push_back(*link);
    added.push_back(*link);
  }
  if (fresh.store.path != config_.store.path || fresh.control_socket != config_.control_socket)
    say(LogLevel::warning, "the store's path and the control socket change only with a restart");
  for (const auto& link : links_) {
    if (std::find(links.begin(), links.end(), link) != links.end()) continue;
    link->stop();
    lost_before_ += link->session().status(time_->now()).lost;
  }
  auto change = std::make_shared<QueuedMeters>();
  for (const auto& link : links) change->meters.emplace_back(link->session().id(), recorder_settings(link->config()));
  change->store = store_settings(fresh.store);
  queue_.push_always(change);
  time_->announce_utc_offset(time_->now());
  put_event(storage::EventKind::config_reloaded, {});
  rounds_.set_flush(batch_time(fresh.store.flush_s));
  config_.meters = fresh.meters;
  config_.tells = fresh.tells;
  notification_watch_->configure(config_.tells);
  links_ = std::move(links);
  if (fresh.page.on() || config_.page.on()) show_page(fresh.page);
  for (const auto& link : added) link->start();
  return {};
}

// Also where nothing changed in the config: the token's file may hold another one.
void Service::Impl::show_page(const config::PageConfig& page) {
  config_.page = page;
  for (const auto& link : links_) link->session().watch(page.on());
  page_->configure(page);
}

void Service::Impl::handle(ControlRequest request, ControlDoor::Reply reply) {
  if (std::holds_alternative<StatusRequest>(request)) return reply(status_answer(service_status()));
  if (const auto* capture = std::get_if<CaptureRequest>(&request)) return reply(captured(*capture));
  std::visit(
      [&](auto& what) {
        if constexpr (std::is_constructible_v<RunRequest, decltype(std::move(what))>)
          ask_store(RunRequest(std::move(what)), std::move(reply));
      },
      request);
}

std::string Service::Impl::captured(const CaptureRequest& request) {
  const auto link = std::find_if(links_.begin(), links_.end(),
                                 [&](const auto& one) { return one->session().name() == request.meter; });
  if (link == links_.end())
    return error_answer({ErrorKind::input, "no meter " + request.meter + ": `nightwatt status` lists them"});
  const MonoTime now = time_->now();
  return capture_answer((*link)->tap().take(now, request.after), (*link)->session().status(now).state);
}

void Service::Impl::ask_store(RunRequest request, ControlDoor::Reply reply) {
  const auto shared_reply = std::make_shared<ControlDoor::Reply>(std::move(reply));
  const std::shared_ptr<Timer> timer = environment_.timer();
  const auto answered = [shared_reply, timer](const Result<storage::RunId>& result) {
    timer->cancel();
    if (const auto send = std::exchange(*shared_reply, {}))
      send(result ? run_answer(*result) : error_answer(result.error()));
  };
  time_->observe(time_->now());
  const auto command = std::make_shared<RunCommand>(
      std::move(request), time_->stamp(time_->now()), [this, answered](Result<storage::RunId> result) {
        environment_.post([answered, result = std::move(result)] { answered(result); });
      });
  if (!queue_.push(QueueItem(command)))
    return answered(fail(ErrorKind::unusable, "the store has not been written for too long: see the service's log"));
  timer->start(command_time, [this, command, answered] {
    if (command->take_back()) answered(fail(ErrorKind::unusable, "the store cannot be written now: " + why_not()));
  });
}

std::string Service::Impl::why_not() const {
  const std::string why = state_.why.get();
  return why.empty() ? "it is busy; try again" : why;
}

ServiceStatus Service::Impl::service_status() const {
  ServiceStatus result;
  result.version = NIGHTWATT_VERSION;
  result.since = since_;
  result.lost = lost_before_ + state_.refused;
  for (const auto& link : links_) {
    result.meters.push_back(link->session().status(time_->now()));
    result.lost += result.meters.back().lost;
  }
  result.queue = queue_.readings() + state_.waiting;
  result.flush_s = static_cast<double>(state_.flush_us.load()) * 1e-6;
  result.paused = state_.paused;
  if (result.paused) result.paused_why = why_not();
  const NotificationCounts counts = notifier_->counts();
  if (parts_.mirror) result.mirror = parts_.mirror();
  result.tell = {counts.told, counts.failed, counts.given_up, counts.waiting};
  return result;
}

page::State Service::Impl::page_state() {
  page::State state;
  state.service = service_status();
  state.now = time_->stamp(time_->now()) + time_->utc_offset();
  for (const auto& link : links_) state.fresh.push_back(link->session().take_live(time_->now()));
  state.queue_limit = ReadingQueue::reading_limit;
  state.flushes = page::counts_of(state_.flushes);
  return state;
}

// The loop is alive if it gets here, the store thread if it has taken a round since it was last poked. A store thread
// that is not stops the pings, and the service is started anew.
void Service::Impl::watch() {
  const auto limit = parts_.supervisor.watchdog();
  if (!limit || stopping_) return;
  const std::uint64_t beats = state_.beats;
  if (beats != seen_beats_) parts_.supervisor.alive();
  seen_beats_ = beats;
  queue_.poke();
  watchdog_timer_->start(*limit / 3, [this] { watch(); });
}

// Not with readings alone: a meter may be silent for hours, and what it said is shown by the calendar as it was put
// right.
void Service::Impl::watch_calendar() {
  constexpr Duration every{1'000'000};
  if (stopping_) return;
  time_->observe(time_->now());
  calendar_timer_->start(every, [this] { watch_calendar(); });
}

Service::Service(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}
Service::~Service() = default;

Result<std::unique_ptr<Service>> Service::make(config::ServiceConfig config, ServiceParts parts) {
  auto impl = std::make_unique<Impl>(std::move(config), std::move(parts));
  if (auto opened = impl->open(); !opened) return tl::unexpected(opened.error());
  return std::unique_ptr<Service>(new Service(std::move(impl)));
}

bool Service::run() {
  return impl_->run();
}
void Service::start() {
  impl_->start();
}
bool Service::stopped() const {
  return impl_->stopped();
}
bool Service::finish() {
  return impl_->finish();
}
void Service::stop() {
  impl_->stop();
}
void Service::reload() {
  impl_->reload();
}

}  // namespace nightwatt::daemon
