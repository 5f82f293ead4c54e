#include "mirror/mirror.hpp"

#include <algorithm>
#include <atomic>
#include <chrono>
#include <condition_variable>
#include <mutex>
#include <thread>
#include <utility>

#include "copier.hpp"
#include "schema.hpp"
#include "server.hpp"
#include "troubles.hpp"

namespace nightwatt::mirror {
namespace {

using Steady = std::chrono::steady_clock;
using std::chrono::seconds;

constexpr seconds between_passes{5};      // the lag of a mirror that keeps up
constexpr seconds between_open_runs{60};  // an open run's figures are made anew and sent whole
constexpr std::chrono::milliseconds stop_limit{1'000};

}  // namespace

class Mirror::Impl {
 public:
  Impl(MirrorSettings settings, Say say) : settings_(std::move(settings)), say_(std::move(say)) {}

  void run() {
    while (!stopping()) {
      note(session());
      if (rest(troubles_.pause())) break;
    }
    const std::lock_guard lock(mutex_);
    ended_ = true;
    changed_.notify_all();
  }

  void begin() {
    const std::lock_guard lock(mutex_);
    ended_ = false;
  }

  void stop() {
    {
      const std::lock_guard lock(mutex_);
      stop_ = true;
      changed_.notify_all();
    }
    cancellation_.end();
  }

  void forget() {
    const std::lock_guard lock(mutex_);
    ended_ = true;
  }

  /// Whether the thread ended in time; if not it is left to end by itself, holding nothing that anybody needs.
  bool ended() {
    std::unique_lock lock(mutex_);
    return changed_.wait_for(lock, stop_limit, [this] { return ended_; });
  }

  MirrorStatus status() const {
    const std::lock_guard lock(mutex_);
    MirrorStatus status = status_;
    if (last_good_) status.last_good = std::chrono::duration_cast<Duration>(Steady::now() - *last_good_);
    return status;
  }

  const MirrorSettings settings_;

 private:
  [[nodiscard]] bool stopping() const { return cancellation_.over; }

  /// True: it is to stop.
  bool rest(seconds time) {
    std::unique_lock lock(mutex_);
    return changed_.wait_for(lock, time, [this] { return stop_; });
  }

  /// From connecting to the first trouble, which it returns.
  std::string session() {
    auto store = storage::StoreReader::open(settings_.store);
    if (!store) return store.error().message;
    auto server = Server::connect(settings_.database, cancellation_);
    if (!server) return server.error().message;
    if (auto ready = prepare_schema(*server); !ready) return ready.error().message;
    Copier copier(*server, *store, settings_.rig, [this](const std::string& text) { say_(Tone::warning, text); });
    if (auto begun = copier.begin(); !begun) return begun.error().message;
    connected();
    const std::int64_t before = status().copied;
    Steady::time_point open_runs_at{};
    while (!stopping()) {
      if (store->moved()) return settings_.store + " was moved or replaced";
      const bool open_runs = Steady::now() >= open_runs_at;
      if (open_runs) open_runs_at = Steady::now() + between_open_runs;
      auto done = copier.pass(open_runs, [this] { return stopping(); });
      if (copier.copied() > 0) troubles_.got_on();
      if (!done) return done.error().message;
      passed(before + copier.copied());
      if (rest(between_passes)) break;
    }
    return {};
  }

  void connected() {
    {
      const std::lock_guard lock(mutex_);
      status_.connected = true;
      status_.trouble.clear();
    }
    // After trouble a connection says little: a server whose disk is full takes one every time.
    if (!troubles_.any()) say_going_on();
  }

  void passed(std::int64_t copied) {
    {
      const std::lock_guard lock(mutex_);
      status_.copied = copied;
      status_.up_to_date = true;
      last_good_ = Steady::now();
    }
    if (troubles_.over()) say_going_on();
  }

  void say_going_on() {
    if (!stopping()) say_(Tone::info, "mirroring into the rig \"" + settings_.rig + "\"");
  }

  void note(const std::string& trouble) {
    {
      const std::lock_guard lock(mutex_);
      status_.connected = false;
      status_.up_to_date = false;
      status_.trouble = trouble;
    }
    if (troubles_.met(trouble) && !stopping()) say_(Tone::warning, "not mirroring, tried again: " + trouble);
  }

  Say say_;
  Troubles troubles_;  ///< the thread's alone
  Cancellation cancellation_;
  mutable std::mutex mutex_;
  std::condition_variable changed_;
  bool stop_ = false;
  bool ended_ = true;  ///< there is no thread
  MirrorStatus status_;
  std::optional<Steady::time_point> last_good_;
};

Mirror::Mirror(MirrorSettings settings, Say say) : impl_(std::make_shared<Impl>(std::move(settings), std::move(say))) {}

Mirror::~Mirror() {
  stop();
}

void Mirror::start() {
  impl_->begin();
  // The thread shares what it works with: a name that is being looked up cannot be called off.
  std::thread([impl = impl_] { impl->run(); }).detach();
}

void Mirror::stop() {
  if (!impl_) return;
  impl_->stop();
  (void)impl_->ended();
}

void Mirror::let_go() {
  impl_->stop();
  impl_->forget();
}

MirrorStatus Mirror::status() const {
  return impl_->status();
}

const MirrorSettings& Mirror::settings() const {
  return impl_->settings_;
}

}  // namespace nightwatt::mirror
