#include "sim_meter.hpp"

#include <algorithm>
#include <cstdio>
#include <utility>

#include "drivers/modbus/settings.hpp"
#include "drivers/text/settings.hpp"

namespace nightwatt::world {
namespace {

constexpr std::int64_t second_us = 1'000'000;
/// About a fault on the line, what else is said may be lost: a decoder needs a few frames to find its feet.
constexpr std::int64_t excused_least_us = 8 * second_us;
constexpr std::int64_t excused_intervals = 4;
constexpr std::uint16_t power_register = 0, energy_register = 40;  // two each
/// A counter of eight digits, as on a small display.
constexpr double wrap_mwh = 100'000.0;
/// Between the two pieces in which a frame comes.
constexpr std::int64_t piece_us = 3'000;

std::uint64_t mix(std::uint64_t x) {
  x += 0x9E3779B97F4A7C15ULL;
  x = (x ^ (x >> 30U)) * 0xBF58476D1CE4E5B9ULL;
  x = (x ^ (x >> 27U)) * 0x94D049BB133111EBULL;
  return x ^ (x >> 31U);
}

/// The CRC of the Modbus over serial line specification V1.02, 6.2.2, bit by bit.
std::uint16_t modbus_crc(std::string_view bytes) {
  std::uint16_t crc = 0xFFFF;
  for (const char c : bytes) {
    crc = static_cast<std::uint16_t>(crc ^ static_cast<unsigned char>(c));
    for (int bit = 0; bit < 8; ++bit)
      crc = static_cast<std::uint16_t>((crc & 1U) != 0 ? (crc >> 1U) ^ 0xA001U : crc >> 1U);
  }
  return crc;
}

std::string with_crc(std::string frame) {
  const std::uint16_t crc = modbus_crc(frame);
  frame += static_cast<char>(crc & 0xFFU);
  frame += static_cast<char>(crc >> 8U);
  return frame;
}

/// `$...*hh`, the check of NMEA 0183.
std::string with_check(const std::string& text) {
  unsigned check = 0;
  for (const char c : text) check ^= static_cast<unsigned char>(c);
  std::array<char, 8> end{};
  std::snprintf(end.data(), end.size(), "*%02X\r\n", check);
  return "$" + text + end.data();
}

std::string thousandths(std::int64_t value) {
  std::array<char, 32> text{};
  std::snprintf(text.data(), text.size(), "%lld.%03lld", static_cast<long long>(value / 1000),
                static_cast<long long>(value % 1000));
  return text.data();
}

}  // namespace

SimMeter::SimMeter(std::string name, bool modbus, Duration interval, std::uint64_t seed, Scheduler& scheduler,
                   SimClock& clock)
    : name_(std::move(name)),
      modbus_(modbus),
      interval_(interval),
      seed_(seed),
      scheduler_(scheduler),
      clock_(clock),
      plug_(scheduler) {
  plug_.on_heard = [this](std::span<const std::byte> bytes) { hear(bytes); };
  plug_.on_opened = [this] {
    asked_.clear();
    excuse();
  };
  if (!modbus_) scheduler_.after(interval_, [this] { speak(); });
}

config::MeterConfig SimMeter::config() const {
  config::MeterConfig meter;
  meter.name = name_;
  meter.port = "/dev/" + name_;
  meter.auto_end_s = 60.0;
  meter.profile.name = "world";
  meter.profile.interval = interval_;
  meter.profile.starting_w = 0.4;
  ReadSpec power, energy;
  power.scale = energy.scale = {1, -3};
  power.resolution = energy.resolution = 0.001;
  energy.quantity = Quantity::energy;
  if (modbus_) {
    meter.profile.protocol = ModbusRtuSettings{.unit = 1, .timeout = Duration{500'000}, .retries = 1};
    power.register_address = power_register;
    energy.register_address = energy_register;
    power.type = energy.type = RegisterType::s32;
  } else {
    meter.profile.protocol = TextLineSettings{TextForm::csv, TextChecksum::xor_nmea};
    power.scale = energy.scale = {1, 0};
    power.column = 2;
    energy.column = 3;
  }
  meter.profile.reads = {power, energy};
  return meter;
}

std::uint64_t SimMeter::draw(std::uint64_t about) const {
  return mix(seed_ ^ mix(about));
}

// A device that is off, asleep, idle or at work for minutes at a time, with digits that hardly ever repeat.
std::int64_t SimMeter::power_mw() const {
  constexpr std::array<std::int64_t, 5> levels = {200, 2'300, 25'000, 41'000, 60'000};  // the first one is off
  constexpr std::int64_t regime_us = 150 * second_us;
  const std::uint64_t regime = static_cast<std::uint64_t>(clock_.true_us() / regime_us);
  const std::int64_t level = levels[draw(regime) % levels.size()];
  return level + static_cast<std::int64_t>(draw(static_cast<std::uint64_t>(clock_.true_us())) % 399) - 199;
}

void SimMeter::measure() {
  mwh_ += static_cast<double>(mw_) * static_cast<double>(clock_.true_us() - measured_us_) / 3.6e9;
  if (mwh_ >= wrap_mwh) mwh_ -= wrap_mwh;
  measured_us_ = clock_.true_us();
  mw_ = power_mw();
}

void SimMeter::fault(LineFault fault, int times) {
  fault_ = fault;
  fault_times_ = times;
}

void SimMeter::swap() {
  seed_ = draw(0x5A);
  mwh_ = static_cast<double>(seed_ % 90'000);
  excuse();
}

void SimMeter::reset_counter() {
  mwh_ = 0.0;
}

void SimMeter::near_wrap() {
  mwh_ = wrap_mwh - 0.05;
}

void SimMeter::excuse() {
  const std::int64_t now = clock_.true_us();
  const std::int64_t excused_us = std::max(excused_least_us, excused_intervals * interval_.count());
  excused_until_us_ = now + excused_us;
  for (auto said = said_.rbegin(); said != said_.rend() && said->true_us > now - excused_us; ++said) said->must = false;
}

// What lay in the cable or waited for its other half was read after the sleep.
void SimMeter::slept(Duration time) {
  const std::int64_t before_us = clock_.true_us() - time.count() - piece_us;
  for (auto said = said_.rbegin(); said != said_.rend() && said->true_us >= before_us; ++said)
    said->late_us += time.count();
  excuse();
}

LineFault SimMeter::next_fault() {
  if (fault_times_ == 0) return LineFault::none;
  --fault_times_;
  excuse();
  return fault_;
}

void SimMeter::speak() {
  scheduler_.after(interval_ + interval_ * drift_ppm_ / 1'000'000, [this] { speak(); });
  measure();
  const auto mwh = static_cast<std::int64_t>(mwh_);
  const std::string line = with_check("SKERRY," + thousandths(mw_) + "," + thousandths(mwh));
  answer(line, true);
}

void SimMeter::answer(std::string frame, bool power) {
  Said said;
  said.milliwatts = mw_;
  said.milliwatt_hours = modbus_ ? -1 : static_cast<std::int64_t>(mwh_);
  // Whoever hears the counter's number as the power asks again, and may take the second answer.
  said.must = frame != last_other_frame_;
  if (!power) last_other_frame_ = frame;
  std::optional<Said> truth;
  if (power) truth = said;
  const std::uint64_t drawn = draw(static_cast<std::uint64_t>(clock_.true_us()) + 1);
  Duration delay{modbus_ ? 15'000 + static_cast<std::int64_t>(drawn % 60'000) : 0};
  const LineFault fault = next_fault();
  const std::string whole = frame;
  switch (fault) {
    case LineFault::silent:
      return;
    case LineFault::cut:
      // Two bytes short at least: the first byte of the next answer may happen to be the last one of this.
      frame.resize(1 + drawn % (frame.size() - 2));
      if (!modbus_ && frame.size() + 2 >= whole.size()) frame.resize(frame.size() / 2);  // the line end says nothing
      truth.reset();
      break;
    case LineFault::garbled:
      // Not the check itself: of its letters, small ones say the same.
      frame[drawn % (frame.size() - (modbus_ ? 0 : 5))] ^= static_cast<char>(1U << (drawn / 64 % 7));
      truth.reset();
      break;
    case LineFault::noise:
      for (std::uint64_t i = 0; i < 1 + drawn % 12; ++i)
        frame.insert(frame.begin(), static_cast<char>(draw(drawn + i) | 0x80U));
      break;
    case LineFault::late:
      delay += Duration(400'000 + static_cast<std::int64_t>(drawn % 400'000));
      break;
    case LineFault::previous:
      if (last_frame_.empty()) break;
      frame = last_frame_;
      truth.reset();
      if (last_was_power_) truth = last_said_;
      break;
    case LineFault::doubled:
      send(frame, delay, truth);
      delay += Duration{20'000};
      break;
    case LineFault::none:
      break;
  }
  if (std::exchange(swap_next_, false)) {
    // The other one's check does not fit what the first one began to say, nor what noise made of it.
    swap();
    if (fault == LineFault::garbled) frame = whole;
    frame.back() ^= static_cast<char>(modbus_ ? 0x55 : 0);
    if (!modbus_ && frame.size() >= 3) frame[frame.size() - 3] = frame[frame.size() - 3] == '0' ? '1' : '0';
    truth.reset();
  }
  send(frame, delay, truth);
  last_frame_ = whole;
  last_was_power_ = power;
  last_said_ = said;
}

// In two pieces, so that a frame is not always whole when the port is read.
void SimMeter::send(std::string bytes, Duration delay, std::optional<Said> said) {
  // One after the other, in the order they were asked for.
  delay = std::max(delay, Duration{line_free_us_ - scheduler_.now_us()});
  line_free_us_ = scheduler_.now_us() + delay.count() + 2 * piece_us;
  constexpr std::size_t line_end = 2;  // a line may be over with its CR
  const std::size_t splits = bytes.size() > line_end ? bytes.size() - line_end : 1;
  const std::size_t first = draw(bytes.size() + static_cast<std::uint64_t>(clock_.true_us())) % splits;
  const auto piece = [this](const std::string& text) { plug_.say(std::as_bytes(std::span(text.data(), text.size()))); };
  if (first > 0) scheduler_.after(delay, [piece, text = bytes.substr(0, first)] { piece(text); });
  scheduler_.after(delay + Duration{piece_us}, [this, piece, said, text = bytes.substr(first)] {
    if (said && plug_.in() && plug_.open()) {
      Said truth = *said;
      truth.true_us = clock_.true_us();
      truth.mono_us = clock_.monotonic().us;
      truth.utc_us = clock_.utc().us;
      truth.unstepped_us = clock_.unstepped().us;
      truth.boot = boot_;
      truth.must = truth.must && truth.true_us > excused_until_us_;
      said_.push_back(truth);
    }
    piece(text);
  });
}

// Function 4: any number of registers, of which it has four (Modbus Application Protocol V1.1b3, 6.4 and 7).
void SimMeter::hear(std::span<const std::byte> bytes) {
  if (!modbus_) return;
  for (const std::byte byte : bytes) asked_ += static_cast<char>(byte);
  constexpr std::size_t request_size = 8;
  while (asked_.size() >= request_size) {
    const std::string request = asked_.substr(0, request_size);
    asked_.erase(0, request_size);
    if (with_crc(request.substr(0, 6)) != request) continue;
    const auto word = [&](std::size_t at) {
      return (static_cast<unsigned char>(request[at]) << 8U) | static_cast<unsigned char>(request[at + 1]);
    };
    measure();
    answer(with_crc(registers(word(2), word(4))), word(2) == power_register && word(4) == 2);
  }
}

std::string SimMeter::registers(int first, int count) const {
  std::string frame("\x01\x04", 2);
  frame += static_cast<char>(2 * count);
  for (int place = first; place < first + count; ++place) {
    const bool power = place == power_register || place == power_register + 1;
    if (!power && place != energy_register && place != energy_register + 1) return {"\x01\x84\x02", 3};
    const std::int64_t value = power ? mw_ : static_cast<std::int64_t>(mwh_);
    const std::int64_t half = place % 2 == 0 ? value >> 16 : value;
    frame += static_cast<char>((half >> 8) & 0xFF);
    frame += static_cast<char>(half & 0xFF);
  }
  return frame;
}

}  // namespace nightwatt::world
