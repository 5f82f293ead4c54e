#include "player.hpp"

#include <poll.h>
#include <sys/signalfd.h>
#include <time.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <csignal>

namespace nightwatt::sim {
namespace {

// How long the player sleeps at most: what it must do now and then (let go of exclusive use) may be this late.
constexpr int longest_wait_ms = 100;

std::int64_t clock_us(clockid_t clock) {
  timespec now{};
  ::clock_gettime(clock, &now);
  return std::int64_t{now.tv_sec} * 1'000'000 + now.tv_nsec / 1000;
}

// SIGTERM, SIGINT and SIGHUP as a readable descriptor, so that the port is always closed in order.
int end_signals() {
  sigset_t signals;
  ::sigemptyset(&signals);
  for (const int signal : {SIGTERM, SIGINT, SIGHUP}) ::sigaddset(&signals, signal);
  ::sigprocmask(SIG_BLOCK, &signals, nullptr);
  return ::signalfd(-1, &signals, SFD_CLOEXEC | SFD_NONBLOCK);
}

}  // namespace

Player::Player(std::unique_ptr<Meter> meter, const Script& script, PlayerSettings settings)
    : meter_(std::move(meter)),
      settings_(std::move(settings)),
      length_s_(script.length_s()),
      unplugged_(unplugged_times(script)),
      port_(settings_.link) {}

double Player::now_s() const {
  return static_cast<double>(clock_us(CLOCK_MONOTONIC) - begin_us_) * 1e-6 * settings_.speed;
}

Result<void> Player::run() {
  if (settings_.log) {
    log_.open(*settings_.log, std::ios::trunc);
    if (!log_) return fail(ErrorKind::input, *settings_.log + ": cannot be written; name another --log");
    log_ << "# frame simulated_s unix_s fate values\n" << std::flush;
  }
  const int signals = end_signals();
  begin_us_ = clock_us(CLOCK_MONOTONIC);
  std::vector<Chunk> chunks;
  std::array<std::byte, 1024> buffer{};
  Result<void> result;
  while (true) {
    const double at_s = now_s();
    if (settings_.once && at_s > length_s_) break;
    result = keep_plugged(at_s);
    if (!result) break;
    if (port_.plugged()) {
      const std::span<const std::byte> request = port_.read(buffer);
      if (request.empty()) {
        meter_->advance(at_s, chunks);
      } else {
        meter_->receive(request, at_s, chunks);
      }
      deliver(chunks);
      port_.release_exclusive_use();
    }
    std::array<pollfd, 2> watched = {{{signals, POLLIN, 0}, {port_.descriptor(), POLLIN, 0}}};
    ::poll(watched.data(), watched.size(), wait_ms(now_s()));
    if ((watched[0].revents & POLLIN) != 0) break;
  }
  ::close(signals);
  return result;
}

Result<void> Player::keep_plugged(double at_s) {
  const bool out = std::any_of(unplugged_.begin(), unplugged_.end(),
                               [at_s](const auto& span) { return at_s >= span.first && at_s < span.second; });
  if (out && port_.plugged()) port_.unplug();
  if (out || port_.plugged()) return {};
  if (auto plugged = port_.plug(); !plugged) return plugged;
  std::vector<Chunk> chunks;
  meter_->plugged(at_s, chunks);
  deliver(chunks);
  return {};
}

void Player::deliver(std::vector<Chunk>& chunks) {
  for (const Chunk& chunk : chunks) {
    const bool arrived = port_.write(chunk.bytes);
    if (chunk.sent) log(*chunk.sent, arrived);
  }
  chunks.clear();
}

void Player::log(const Sent& sent, bool arrived) {
  const std::uint64_t frame = ++frames_;
  if (!log_.is_open()) return;
  const std::int64_t utc_us = clock_us(CLOCK_REALTIME);
  log_ << frame << ' ' << fixed_text(sent.at_s, 6) << ' ' << fixed_text(static_cast<double>(utc_us) * 1e-6, 6) << ' '
       << (arrived ? fate_name(sent.fate) : std::string_view("lost"));
  for (const auto& [quantity, text] : sent.values) log_ << ' ' << quantity_column(quantity) << '=' << text;
  log_ << '\n' << std::flush;
}

int Player::wait_ms(double at_s) const {
  double next_s = at_s + 1e9;
  if (port_.plugged()) next_s = meter_->next_s().value_or(next_s);
  for (const auto& [begin, end] : unplugged_) {
    if (begin > at_s) next_s = std::min(next_s, begin);
    if (end > at_s) next_s = std::min(next_s, end);
  }
  if (settings_.once) next_s = std::min(next_s, length_s_);
  const double wait = std::ceil((next_s - at_s) / settings_.speed * 1e3);
  return static_cast<int>(std::clamp(wait, 0.0, static_cast<double>(longest_wait_ms)));
}

}  // namespace nightwatt::sim
