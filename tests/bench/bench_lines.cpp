// bench lines [FIRST_SEED [LINES]]: random Modbus meters on random lines (tests/drivers/random_line.hpp), read by ours
// and, beside it, by a plain asker: it asks one question after the other and takes the next good answer whose unit,
// function and length fit, as a straightforward master does.

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <string>

#include "crc16.hpp"
#include "drivers/modbus/settings.hpp"
#include "drivers/protocols.hpp"
#include "tests/drivers/random_line.hpp"

namespace {

using namespace nightwatt;

class PlainAsker final : public drivers::Decoder {
 public:
  explicit PlainAsker(const MeterProfile& profile)
      : profile_(profile), settings_(*profile_.protocol.find<ModbusRtuSettings>()) {}

  void reset(Duration now) override {
    slot_ = now + settings_.timeout;
    asking_ = false;
    buffer_.clear();
  }
  [[nodiscard]] std::optional<Duration> next_tick() const override { return asking_ ? deadline_ : slot_; }

  void tick(Duration now, drivers::Output& out) override {
    if (asking_ && now >= deadline_) {
      if (tries_ <= settings_.retries) return ask(now, out);
      next(now, out, read_ == 0);
    }
    if (asking_ || now < slot_) return;
    while (slot_ <= now) slot_ += profile_.interval;
    values_ = {};
    at_.reset();
    read_ = 0;
    tries_ = 0;
    ask(now, out);
  }

  void feed(std::span<const std::byte> bytes, Duration now, drivers::Output& out) override {
    buffer_.insert(buffer_.end(), bytes.begin(), bytes.end());
    if (!asking_) return buffer_.clear();
    const std::size_t length = 5 + 2 * count();
    for (std::size_t i = 0; i + length <= buffer_.size(); ++i) {
      const std::span<const std::byte> frame = std::span(buffer_).subspan(i, length);
      if (frame[0] != std::byte{1} || frame[1] != std::byte{3} || std::to_integer<std::size_t>(frame[2]) != 2 * count())
        continue;
      const std::uint16_t check = drivers::crc16_modbus(frame.first(length - 2));
      if (std::to_integer<unsigned>(frame[length - 2]) != (check & 0xFFU) ||
          std::to_integer<unsigned>(frame[length - 1]) != static_cast<unsigned>(check >> 8U))
        continue;
      const auto word = [&](std::size_t at) {
        return std::to_integer<std::int64_t>(frame[at]) * 256 + std::to_integer<std::int64_t>(frame[at + 1]);
      };
      values_.set(profile_.reads[read_].quantity, Decimal{count() == 1 ? word(3) : word(3) + word(5) * 65536, 0});
      if (read_ == 0) at_ = now;
      return next(now, out, false);
    }
  }

 private:
  [[nodiscard]] std::size_t count() const { return profile_.reads[read_].type == RegisterType::u16 ? 1 : 2; }

  void ask(Duration now, drivers::Output& out) {
    const auto address = profile_.reads[read_].register_address;
    std::vector<std::byte> frame = {std::byte{1},
                                    std::byte{3},
                                    static_cast<std::byte>(address >> 8U),
                                    static_cast<std::byte>(address & 0xFFU),
                                    std::byte{0},
                                    static_cast<std::byte>(count())};
    const std::uint16_t check = drivers::crc16_modbus(frame);
    frame.push_back(static_cast<std::byte>(check & 0xFFU));
    frame.push_back(static_cast<std::byte>(check >> 8U));
    out.send.insert(out.send.end(), frame.begin(), frame.end());
    buffer_.clear();
    ++tries_;
    asking_ = true;
    deadline_ = now + settings_.timeout;
  }

  void next(Duration now, drivers::Output& out, bool give_up) {
    asking_ = false;
    tries_ = 0;
    if (!give_up && ++read_ < profile_.reads.size()) return ask(now, out);
    if (at_) out.readings.push_back({values_, 0, at_});
  }

  MeterProfile profile_;
  ModbusRtuSettings settings_;
  std::vector<std::byte> buffer_;
  Duration slot_{};
  Duration deadline_{};
  bool asking_ = false;
  int tries_ = 0;
  std::size_t read_ = 0;
  Values values_;
  std::optional<Duration> at_;
};

struct Sum {
  long readings = 0;
  long wrong = 0;
  int lines_wrong = 0;
  int lines_bad = 0;
  int complete = 0;

  void add(const test::LineResult& result) {
    readings += result.readings;
    wrong += result.wrong;
    lines_wrong += result.wrong > 0 ? 1 : 0;
    lines_bad += result.is_good() ? 0 : 1;
    complete += result.must_be_complete ? 1 : 0;
  }
  void print(const char* who) const {
    std::printf("%-12s %10ld readings, %6ld with a wrong value, on %d lines; %d lines not as they must be\n", who,
                readings, wrong, lines_wrong, lines_bad);
  }
};

}  // namespace

int main(int argc, char** argv) {
  const std::uint64_t first = argc > 1 ? std::strtoull(argv[1], nullptr, 10) : 1;
  const std::uint64_t lines = argc > 2 ? std::strtoull(argv[2], nullptr, 10) : 1000;
  Sum ours, plain;
  for (std::uint64_t seed = first; seed < first + lines; ++seed) {
    const test::LineCase line = test::LineCase::draw(seed);
    const test::LineResult result =
        test::run_line(line, [](const MeterProfile& profile) { return drivers::make_decoder(profile).value(); });
    ours.add(result);
    plain.add(test::run_line(line, [](const MeterProfile& profile) { return std::make_unique<PlainAsker>(profile); }));
    if (result.is_good()) continue;
    std::printf("%s\n   %d readings, %d wrong (%s), %d doubled, %d out of order, %d late; %d of %d slots, %d whole\n",
                line.text().c_str(), result.readings, result.wrong, result.first_wrong.c_str(), result.doubled,
                result.disordered, result.late, result.in_slots, result.slots, result.whole);
  }
  std::printf("%llu random Modbus meters from seed %llu, three minutes and more each; %d of them must be read wholly\n",
              static_cast<unsigned long long>(lines), static_cast<unsigned long long>(first), ours.complete);
  ours.print("ours");
  plain.print("plain asker");
  return 0;
}
