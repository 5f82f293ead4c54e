#include "port_link.hpp"

#include <algorithm>
#include <cerrno>
#include <system_error>
#include <utility>

#include "drivers/tcp_port.hpp"

namespace nightwatt::daemon {
namespace {

bool is_only_busy(std::ptrdiff_t result) {
  return result == -EAGAIN || result == -EINTR;
}

std::string lost_text(std::ptrdiff_t result) {
  return "lost: " + std::generic_category().message(static_cast<int>(-result));
}

}  // namespace

PortLink::PortLink(Environment& environment, config::MeterConfig config, std::unique_ptr<MeterSession> session,
                   TimeKeeper& time)
    : config_(std::move(config)),
      session_(std::move(session)),
      time_(time),
      environment_(environment),
      tick_timer_(environment.timer()),
      retry_timer_(environment.timer()),
      line_timer_(environment.timer()),
      silence_timer_(environment.timer()),
      hold_timer_(environment.timer()),
      network_(drivers::is_tcp_port(config_.port)) {}

void PortLink::start() {
  open();
}

void PortLink::stop() {
  stopped_ = true;
  retry_timer_->cancel();
  let_go();
}

void PortLink::open() {
  if (stopped_) return;
  tried_at_ = time_.now();
  auto port = environment_.open_port(config_);
  if (!port) return lose(port.error().state, port.error().why);
  port_ = std::move(*port);
  if (port_->connecting()) return wait_for_connection();
  begin();
}

void PortLink::begin() {
  heard_at_ = time_.now();
  session_->port_opened(heard_at_, port_->where());
  wait_for_bytes();
  if (network_) watch_silence();
  if (config_.profile.on_change) notify_silence();
  session_->tick(time_.now());
  after_session();
}

void PortLink::wait_for_connection() {
  // On a network of our own a connection takes milliseconds; behind a dead cable it would take minutes to fail. The
  // system asks once more after a second (RFC 6298, 2.1) and then ever more seldom: begun anew after the second one, a
  // question goes out every second.
  constexpr Duration longest_connect{2'000'000};
  const std::string where = port_->where();
  retry_timer_->start(longest_connect, [this, where] { lose("missing", where + ": no answer"); });
  port_->wait_writable([this, where](const std::string& trouble) {
    retry_timer_->cancel();
    const std::string why = trouble.empty() ? port_->connect_trouble() : trouble;
    if (!why.empty()) return lose("missing", where + ": " + why);
    begin();
  });
}

// A connection whose other end was switched off says nothing for ever. The system's own signs of life notice a machine
// that is gone, not a device server that has forgotten us.
void PortLink::watch_silence() {
  constexpr Duration longest_silence{30'000'000};
  constexpr int intervals = 10;
  const Duration known_gap = to_duration({config_.profile.gap_s.value_or(0.0)});
  const Duration silence_limit = std::max({longest_silence, config_.profile.interval * intervals, known_gap});
  silence_timer_->start(silence_limit / 4, [this, silence_limit] {
    if (time_.now() - heard_at_ > silence_limit) return lose("silent", "nothing heard: connecting anew");
    watch_silence();
  });
}

// As often as an automatic run's end may be late.
void PortLink::notify_silence() {
  constexpr Duration every{10'000'000};
  hold_timer_->start(every, [this] {
    session_->notify_silence(time_.now());
    notify_silence();
  });
}

void PortLink::let_go() {
  tick_timer_->cancel();
  line_timer_->cancel();
  silence_timer_->cancel();
  hold_timer_->cancel();
  changing_line_ = false;
  armed_for_.reset();
  waiting_for_room_ = false;
  port_.reset();
}

void PortLink::lose(const std::string& state, const std::string& why) {
  if (stopped_) return;
  let_go();
  session_->port_failed(time_.now(), state, why);
  retry_timer_->start(wait_after(state), [this] { open(); });
}

Duration PortLink::wait_after(const std::string& state) {
  if (state == PortTrouble::opening) return drivers::PortBackOff::first_wait;
  const Duration wait = back_off_.next();
  if (!network_) return wait;
  // A device server is to be had again within two seconds of its return; trying costs one packet. A try that was long
  // in failing has waited already.
  constexpr Duration longest_network_wait{1'000'000};
  return std::max(std::min(wait, longest_network_wait) - (time_.now() - tried_at_), Duration(0));
}

void PortLink::wait_for_bytes() {
  port_->wait_readable([this](const std::string& trouble) {
    if (!trouble.empty()) return lose("missing", "lost: " + trouble);
    read_bytes();
  });
}

// Read by hand after the wait, so that the bytes are stamped before anything else is done with them. One read a
// wake-up: a port that never stops talking must not starve the others.
void PortLink::read_bytes() {
  const std::ptrdiff_t got = port_->read(buffer_);
  const MonoTime now = time_.now();
  if (is_only_busy(got)) return wait_for_bytes();
  if (got < 0) return lose("missing", lost_text(got));
  if (got == 0) return lose("missing", "lost: the other end hung up");
  heard_at_ = now;
  back_off_.reset();  // not at the opening: one that opens and dies at once is not to be tried without end
  const auto bytes = std::span(buffer_).first(static_cast<std::size_t>(got));
  show(now, false, bytes);
  session_->feed(bytes, now);
  wait_for_bytes();
  after_session();
}

void PortLink::show(MonoTime now, bool sent, std::span<const std::byte> bytes) {
  if (tap_.on()) tap_.add(now, {time_.stamp(now) + time_.utc_offset(), sent, {bytes.begin(), bytes.end()}});
}

void PortLink::after_session() {
  send();
  change_line();
  arm_tick();
}

void PortLink::send() {
  std::vector<std::byte>& unsent = session_->to_send();
  if (unsent.empty() || waiting_for_room_ || !port_) return;
  const std::ptrdiff_t written = port_->write(unsent);
  if (written < 0 && !is_only_busy(written)) return lose("missing", lost_text(written));
  if (written > 0) show(time_.now(), true, std::span(unsent).first(static_cast<std::size_t>(written)));
  if (written > 0) unsent.erase(unsent.begin(), unsent.begin() + written);
  if (unsent.size() > unsent_limit) unsent.clear();
  if (!unsent.empty()) wait_for_room();
}

void PortLink::wait_for_room() {
  waiting_for_room_ = true;
  port_->wait_writable([this](const std::string& trouble) {
    if (!trouble.empty()) return;  // whoever waits for bytes is told as well
    waiting_for_room_ = false;
    send();
  });
}

// The system is asked every few milliseconds whether the bytes are out: it has no event for it.
void PortLink::change_line() {
  constexpr Duration look_again{5000};
  if (changing_line_ || !session_->line_wanted() || !port_) return;
  if (session_->to_send().empty() && port_->all_sent()) {
    const LineSettings line = *std::exchange(session_->line_wanted(), std::nullopt);
    if (const std::string trouble = port_->set_line(line); !trouble.empty()) lose("unsupported", trouble);
    return;
  }
  changing_line_ = true;
  line_timer_->start(look_again, [this] {
    changing_line_ = false;
    change_line();
  });
}

void PortLink::arm_tick() {
  const auto next = session_->next_tick();
  if (!next || !port_) {
    armed_for_.reset();
    tick_timer_->cancel();
    return;
  }
  if (armed_for_ == next) return;
  armed_for_ = next;
  // A tick a moment too early would do nothing and be armed again at once.
  constexpr Duration slack{200};
  tick_timer_->start(std::max(*next - time_.now(), Duration(0)) + slack, [this] {
    armed_for_.reset();
    session_->tick(time_.now());
    after_session();
  });
}

}  // namespace nightwatt::daemon
