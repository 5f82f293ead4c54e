#include "sim_world.hpp"

#include <algorithm>
#include <cerrno>
#include <deque>
#include <utility>

#include "daemon/status_page.hpp"
#include "sim_memory.hpp"

namespace nightwatt::world {

using namespace daemon;

Scheduler::Id Scheduler::at(std::int64_t when_us, Call call) {
  Id id{std::max(when_us, now_us_), random_()};
  while (events_.contains(id)) id.second = random_();
  events_.emplace(id, std::move(call));
  return id;
}

bool Scheduler::step(std::int64_t until_us) {
  if (events_.empty() || events_.begin()->first.first > until_us) {
    now_us_ = std::max(now_us_, until_us);
    return false;
  }
  auto event = events_.extract(events_.begin());
  now_us_ = event.key().first;
  event.mapped()();
  return true;
}

/// Calls are made from the scheduler alone, never from within the port's own functions.
class Plug::SimPort final : public Port {
 public:
  SimPort(Plug& plug, std::string where) : plug_(plug), where_(std::move(where)) { plug_.port_ = this; }
  ~SimPort() override {
    if (plug_.port_ == this) plug_.port_ = nullptr;
  }
  SimPort(const SimPort&) = delete;
  SimPort& operator=(const SimPort&) = delete;

  [[nodiscard]] const std::string& where() const override { return where_; }
  void wait_readable(std::function<void(const std::string&)> call) override {
    readable_ = std::move(call);
    if (gone_ || !received_.empty()) call_soon();
  }
  void wait_writable(std::function<void(const std::string&)>) override {}  // it takes all
  std::ptrdiff_t read(std::span<std::byte> into) override {
    if (received_.empty()) return gone_ ? 0 : -EAGAIN;
    // Now and then a part only, as a terminal under load does.
    std::size_t count = std::min(into.size(), received_.size());
    if (plug_.scheduler_.random()() % 8 == 0) count = 1 + plug_.scheduler_.random()() % count;
    std::copy_n(received_.begin(), count, into.begin());
    received_.erase(received_.begin(), received_.begin() + static_cast<std::ptrdiff_t>(count));
    return static_cast<std::ptrdiff_t>(count);
  }
  std::ptrdiff_t write(std::span<const std::byte> bytes) override {
    if (gone_) return -EIO;
    const Turn ours(Turn::Whose::world);
    if (plug_.on_heard) plug_.on_heard(bytes);
    return static_cast<std::ptrdiff_t>(bytes.size());
  }

  void receive(std::span<const std::byte> bytes) {
    received_.insert(received_.end(), bytes.begin(), bytes.end());
    if (readable_) call_soon();
  }
  void lose() {
    gone_ = true;
    if (readable_) call_soon();
  }

 private:
  void call_soon() {
    const Turn ours(Turn::Whose::world);
    plug_.scheduler_.after(plug_.scheduler_.latency(), [this, pass = std::weak_ptr(pass_)] {
      const auto held = pass.lock();
      if (!held || !readable_) return;
      const auto call = std::exchange(readable_, nullptr);
      const Turn services(Turn::Whose::service);
      call({});
    });
  }

  Plug& plug_;
  std::string where_;
  std::deque<std::byte> received_;
  std::function<void(const std::string&)> readable_;
  bool gone_ = false;
  std::shared_ptr<char> pass_ = std::make_shared<char>();
};

void Plug::say(std::span<const std::byte> bytes) {
  if (port_ != nullptr && in_) port_->receive(bytes);
}

void Plug::pull() {
  in_ = false;
  if (port_ != nullptr) std::exchange(port_, nullptr)->lose();
}

void Plug::put() {
  ++puts_;
  in_ = true;
}

class SimEnvironment::SimTimer final : public Timer {
 public:
  SimTimer(Scheduler& scheduler, std::shared_ptr<bool> alive) : scheduler_(scheduler), alive_(std::move(alive)) {}
  ~SimTimer() override { cancel(); }
  SimTimer(const SimTimer&) = delete;
  SimTimer& operator=(const SimTimer&) = delete;
  void start(Duration after, std::function<void()> call) override {
    cancel();
    pass_ = std::make_shared<char>();
    event_ = scheduler_.after(std::max(after, Duration(0)) + scheduler_.latency(),
                              [pass = std::weak_ptr(pass_), alive = alive_, call = std::move(call)] {
                                const Turn services(Turn::Whose::service);
                                if (const auto held = pass.lock(); held && *alive) call();
                              });
  }
  void cancel() override {
    pass_.reset();
    if (event_) scheduler_.cancel(*std::exchange(event_, std::nullopt));
  }

 private:
  Scheduler& scheduler_;
  std::shared_ptr<bool> alive_;
  std::shared_ptr<char> pass_;
  std::optional<Scheduler::Id> event_;
};

/// The store thread. A round is done at one instant; what it took of the disk's time, nobody sees its results before.
class SimEnvironment::SimWorker final : public Worker {
 public:
  SimWorker(SimEnvironment& world, Work& work) : world_(world), work_(work), alive_(world.alive_) { wake(); }
  void wake() override { look_at(world_.scheduler_.now_us() + world_.scheduler_.latency().count()); }
  void join() override {
    while (*alive_ && !over_) {
      (void)work_.due();
      round();
    }
  }

 private:
  void look_at(std::int64_t when_us) {
    const Turn ours(Turn::Whose::world);  // a condition variable asks for no memory
    when_us = std::max(when_us, busy_until_us_);
    if (over_ || (next_us_ && *next_us_ <= when_us)) return;
    next_us_ = when_us;
    world_.scheduler_.at(when_us, [this, pass = std::weak_ptr(pass_), when_us] {
      if (const auto held = pass.lock(); held && *alive_ && next_us_ == when_us) look();
    });
  }
  void look() {
    next_us_.reset();
    const auto due = work_.due();
    const MonoTime now = world_.clock_.monotonic();
    if (due && *due <= now) round();
    if (over_ || !*alive_) return;
    if (const auto next = work_.due())
      look_at(world_.scheduler_.now_us() + std::max<std::int64_t>((*next - now).count(), 0) + 1);
  }
  void round() {
    (void)world_.disk_.take_spent_us();
    const Turn services(Turn::Whose::service);
    over_ = !work_.round();
    busy_until_us_ = world_.scheduler_.now_us() + world_.disk_.take_spent_us();
  }

  SimEnvironment& world_;
  Work& work_;
  std::shared_ptr<bool> alive_;
  bool over_ = false;
  std::int64_t busy_until_us_ = 0;
  std::optional<std::int64_t> next_us_;
  std::shared_ptr<char> pass_ = std::make_shared<char>();
};

class SimEnvironment::SimDoor final : public ControlDoor {
 public:
  SimDoor(SimEnvironment& world, Handler handler) : world_(world), handler_(std::move(handler)) {}
  ~SimDoor() override { stop(); }
  SimDoor(const SimDoor&) = delete;
  SimDoor& operator=(const SimDoor&) = delete;
  [[nodiscard]] Result<void> listen(const std::string&) override {
    world_.door_ = this;
    return {};
  }
  void stop() override {
    if (world_.door_ == this) world_.door_ = nullptr;
  }
  void ask(ControlRequest request, Reply reply) { handler_(std::move(request), std::move(reply)); }

 private:
  SimEnvironment& world_;
  Handler handler_;
};

namespace {

class NothingShown final : public Showing {
 public:
  void configure(const config::PageConfig&) override {}
  void stop() override {}
};

class CountedNotifying final : public Notifying {
 public:
  explicit CountedNotifying(std::uint64_t& told) : told_(told) {}
  void configure(const std::vector<config::NotificationConfig>&) override {}
  void tell(NotificationMessage) override { ++told_; }
  void tell(std::size_t, NotificationMessage) override { ++told_; }
  [[nodiscard]] NotificationCounts counts() const override { return {told_, 0, 0, 0}; }
  void stop() override {}

 private:
  std::uint64_t& told_;
};

}  // namespace

bool SimEnvironment::ask(ControlRequest request, std::function<void(std::string)> reply) {
  if (door_ == nullptr || !*alive_) return false;
  door_->ask(std::move(request), std::move(reply));
  return true;
}

std::unique_ptr<Timer> SimEnvironment::timer() {
  return std::make_unique<SimTimer>(scheduler_, alive_);
}

PortResult SimEnvironment::open_port(const config::MeterConfig& meter) {
  const auto plug = plugs_.find(meter.name);
  if (plug == plugs_.end() || !plug->second->in()) return tl::unexpected(PortTrouble{"missing", "no such port"});
  if (plug->second->open()) return tl::unexpected(PortTrouble{"busy", "another program has it"});
  auto port = std::make_unique<Plug::SimPort>(*plug->second, plug->second->where(meter.name));
  if (plug->second->on_opened) plug->second->on_opened();
  return port;
}

std::unique_ptr<Worker> SimEnvironment::start_worker(Work& work) {
  return std::make_unique<SimWorker>(*this, work);
}

std::unique_ptr<ControlDoor> SimEnvironment::control_door(ControlDoor::Handler handler) {
  return std::make_unique<SimDoor>(*this, std::move(handler));
}

std::unique_ptr<Notifying> SimEnvironment::notifying(LogSink) {
  return std::make_unique<CountedNotifying>(told_);
}

std::unique_ptr<Showing> SimEnvironment::showing(PageParts) {
  return std::make_unique<NothingShown>();
}

// Also from within a round of the store thread, which has been at it for as long as the disk took. Not the service's
// turn for sim_memory.hpp: answers are made by a library for JSON whose destructors ask for memory, and end the program
// where there is none.
void SimEnvironment::post(std::function<void()> call) {
  scheduler_.after(Duration(disk_.spent_us()) + scheduler_.latency(), [alive = alive_, call = std::move(call)] {
    if (*alive) call();
  });
}

void SimEnvironment::run(const std::function<bool()>& done) {
  constexpr std::int64_t farthest = INT64_MAX;
  while (!done())
    if (!scheduler_.step(farthest)) return;
}

}  // namespace nightwatt::world
