#include "tests/drivers/random_line.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <map>
#include <optional>
#include <random>
#include <set>

#include "crc16.hpp"
#include "drivers/modbus/settings.hpp"
#include "tests/drivers/stream.hpp"

namespace nightwatt::test {
namespace {

using namespace std::chrono_literals;

/// After the opening, or a bad spell, a reader may need so long to find its feet.
constexpr Duration settling = 40s;
constexpr std::array<Quantity, 4> quantities = {Quantity::power, Quantity::voltage, Quantity::energy,
                                                Quantity::frequency};
constexpr std::array<unsigned, 4> registers = {18, 0, 52, 70};

class Dice {
 public:
  explicit Dice(std::uint64_t seed) : random_(seed) {}
  double share() { return std::uniform_real_distribution<double>(0, 1)(random_); }
  bool chance(double share_of) { return share() < share_of; }
  /// Log-uniform: as many of 1 to 10 as of 10 to 100.
  Duration time(Duration low, Duration high) {
    const double ratio = static_cast<double>(high.count()) / static_cast<double>(low.count());
    return Duration(static_cast<std::int64_t>(static_cast<double>(low.count()) * std::pow(ratio, share())));
  }
  int pick(int low, int high) { return std::uniform_int_distribution<int>(low, high)(random_); }

 private:
  std::mt19937_64 random_;
};

struct Said {
  std::size_t quantity;
  unsigned value;
  std::vector<Duration> heard_at;  ///< when its last byte was on the line, each time it was sent
};

/// Answers one question after the other, in order.
class RandomMeter {
 public:
  RandomMeter(const LineCase& line) : line_(line), dice_(line.seed * 7919 + 1) {}

  void ask(const Bytes& requests, Duration now) {
    for (std::size_t at = 0; at + 8 <= requests.size(); at += 8) answer(requests.data() + at, now);
  }

  [[nodiscard]] Bytes arrived(Duration now) {
    Bytes bytes;
    while (!wire_.empty() && wire_.begin()->first <= now) {
      bytes = std::move(bytes) + wire_.begin()->second;
      wire_.erase(wire_.begin());
    }
    return bytes;
  }

  [[nodiscard]] const std::vector<Said>& said() const { return said_; }
  [[nodiscard]] unsigned width(std::size_t quantity) const { return line_.mixed_shapes && quantity % 2 == 1 ? 1 : 2; }

 private:
  void answer(const std::byte* request, Duration now) {
    const auto word = [&](std::size_t at) {
      return std::to_integer<unsigned>(request[at]) * 256 + std::to_integer<unsigned>(request[at + 1]);
    };
    if (busy_until_ - now > line_.longest_queue) return;
    const unsigned first = word(2);
    const unsigned count = word(4);
    const bool is_function = request[1] == std::byte{3};
    if (!is_function && !line_.knows_functions) return;
    std::optional<std::size_t> whole;  // the question is exactly one of the profile's
    for (std::size_t q = 0; q < static_cast<std::size_t>(line_.quantities); ++q)
      if (is_function && first == registers[q] && count == width(q)) whole = q;
    if (is_function && !whole && !line_.speaks_of_halves) return;
    Bytes frame = {request[0], request[1]};
    std::optional<Said> said;
    if (is_function && (whole || line_.knows_halves)) {
      frame.push_back(static_cast<std::byte>(2 * count));
      if (whole) said = Said{*whole, value_of(*whole), {}};
      for (unsigned i = 0; i < count; ++i) {
        // The low word first, as in the shipped profile of whole numbers.
        const unsigned value = said ? (i == 0 ? said->value & 0xFFFFU : said->value >> 16U) : 0;
        frame.push_back(static_cast<std::byte>(value >> 8U));
        frame.push_back(static_cast<std::byte>(value & 0xFFU));
      }
    } else {
      frame = {request[0], request[1] | std::byte{0x80}, std::byte(is_function ? 2 : 1)};
    }
    const unsigned crc = drivers::crc16_modbus(frame);
    frame.push_back(static_cast<std::byte>(crc & 0xFFU));
    frame.push_back(static_cast<std::byte>(crc >> 8U));
    const bool bad = now >= line_.spell_from && now < line_.spell_to;
    const Duration base = bad ? line_.spell_latency : line_.latency;
    busy_until_ = std::max(busy_until_, now) + base +
                  Duration(static_cast<std::int64_t>(dice_.share() * static_cast<double>(line_.jitter.count())));
    deliver(std::move(frame), std::move(said), bad ? line_.in_spell : line_.usual);
  }

  void deliver(Bytes frame, std::optional<Said> said, const Mishaps& mishaps) {
    double draw = dice_.share();
    const auto meets = [&](double share_of) {
      const bool met = draw >= 0 && draw < share_of;
      draw -= share_of;
      if (met) draw = -1;
      return met;
    };
    if (meets(mishaps.missing)) return;
    if (meets(mishaps.late)) busy_until_ += dice_.time(10ms, line_.late_by);
    if (meets(mishaps.cut)) {
      // Not the last byte alone: where it is the unit's number, the next answer's first byte makes it whole again.
      frame.resize(static_cast<std::size_t>(dice_.pick(1, static_cast<int>(frame.size()) - 2)));
      said.reset();
    }
    if (meets(mishaps.garbled)) {
      frame[static_cast<std::size_t>(dice_.pick(0, static_cast<int>(frame.size()) - 1))] ^=
          static_cast<std::byte>(1U << static_cast<unsigned>(dice_.pick(0, 7)));
      said.reset();
    }
    const bool twice = meets(mishaps.twice);
    if (meets(mishaps.previous) && !before_.empty() && !was_previous_) {
      frame = before_;
      said.reset();  // it counts as what it is: the one before, once more
      if (before_said_) said_[*before_said_].heard_at.push_back(put(frame, busy_until_));
      was_previous_ = true;
      return;
    }
    was_previous_ = false;
    before_ = frame;
    before_said_.reset();
    if (said) {
      before_said_ = said_.size();
      said_.push_back(*said);
    }
    const Duration heard = put(frame, busy_until_);
    if (said) said_.back().heard_at.push_back(heard);
    if (!twice) return;
    const Duration again = put(frame, heard + dice_.time(3ms, 100ms));
    busy_until_ = std::max(busy_until_, again);
    if (said) said_.back().heard_at.push_back(again);
  }

  /// In pieces; returns when the last one is there.
  Duration put(const Bytes& frame, Duration from) {
    Duration at = std::max(from, line_free_);
    const int pieces = frame.size() < 4 ? 1 : dice_.pick(1, line_.pieces);
    std::size_t begin = 0;
    for (int i = 0; i < pieces; ++i) {
      const std::size_t end = i + 1 == pieces ? frame.size() : begin + (frame.size() - begin) / 2;
      if (i > 0) at += dice_.time(1ms, 16ms);
      wire_.emplace(at, Bytes(frame.begin() + static_cast<std::ptrdiff_t>(begin),
                              frame.begin() + static_cast<std::ptrdiff_t>(end)));
      begin = end;
    }
    line_free_ = at + 2ms;
    return at;
  }

  unsigned value_of(std::size_t quantity) {
    if (quantity == 0) return line_.steady ? 2304 : 1'000 + ++powers_;
    if (quantity == 1) return line_.equal ? 2304 : 60'000;
    if (quantity == 2) return 5'000'000 + (line_.steady ? 0 : powers_);
    return 50'000;
  }

  const LineCase& line_;
  Dice dice_;
  Duration busy_until_{0};
  Duration line_free_{0};
  unsigned powers_ = 0;
  Bytes before_;
  std::optional<std::size_t> before_said_;
  bool was_previous_ = false;
  std::multimap<Duration, Bytes> wire_;
  std::vector<Said> said_;
};

MeterProfile profile_of(const LineCase& line, const RandomMeter& meter) {
  std::vector<ReadSpec> reads;
  for (std::size_t q = 0; q < static_cast<std::size_t>(line.quantities); ++q) {
    const bool one = meter.width(q) == 1;
    reads.push_back(modbus_read(quantities[q], 3, static_cast<std::uint16_t>(registers[q]),
                                one ? RegisterType::u16 : RegisterType::u32,
                                one ? RegisterOrder::abcd : RegisterOrder::cdab));
  }
  MeterProfile profile = modbus_profile(std::move(reads), 1);
  auto* settings = profile.protocol.find<ModbusRtuSettings>();
  settings->timeout = line.timeout;
  settings->retries = line.retries;
  profile.interval = line.interval;
  profile.line.baud = 19200;
  return profile;
}

}  // namespace

LineCase LineCase::draw(std::uint64_t seed) {
  Dice dice(seed);
  LineCase line;
  line.seed = seed;
  line.interval = dice.chance(0.5) ? Duration(1s) : dice.time(200ms, 20s);
  line.timeout = dice.time(150ms, 1500ms);
  line.retries = dice.pick(0, 3);
  line.quantities = dice.pick(1, 4);
  line.mixed_shapes = dice.chance(0.3);
  line.steady = dice.chance(0.3);
  line.equal = line.steady && dice.chance(0.3);
  line.knows_halves = dice.chance(0.6);
  line.speaks_of_halves = line.knows_halves || dice.chance(0.8);
  line.knows_functions = dice.chance(0.7);
  line.latency = dice.time(4ms, line.speaks_of_halves ? line.timeout * 2 : line.timeout / 2);
  line.jitter = dice.time(1ms, line.latency + 2ms);
  line.longest_queue = dice.time(10ms, 8s);
  line.late_by = dice.time(20ms, 4s);
  line.pieces = dice.chance(0.3) ? 3 : 1;
  const auto mishaps = [&](double most) {
    Mishaps drawn;
    for (double Mishaps::*kind :
         {&Mishaps::missing, &Mishaps::cut, &Mishaps::garbled, &Mishaps::late, &Mishaps::twice, &Mishaps::previous})
      if (dice.chance(0.4)) drawn.*kind = most * dice.share();
    // What docs/meters.md leaves open: a meter without clearing answers that is late, or says what it said before, and
    // one that refuses them and says more than a tenth of its answers twice.
    if (!line.speaks_of_halves) drawn.late = drawn.previous = drawn.twice = 0;
    if (!line.knows_halves) drawn.twice = std::min(drawn.twice, 0.1), drawn.previous = std::min(drawn.previous, 0.1);
    return drawn;
  };
  if (dice.chance(0.7)) line.usual = mishaps(0.1);
  line.length = std::max<Duration>(180s, line.interval * 60);
  if (dice.chance(0.5)) {
    line.in_spell = mishaps(0.3);
    line.spell_latency = dice.time(10ms, line.speaks_of_halves ? Duration(4s) : line.timeout / 2);
    line.spell_from = line.length / 6;
    line.spell_to = line.length / 3;
  }
  if (line.speaks_of_halves && dice.chance(0.4))
    for (Duration at = dice.time(1s, 30s); at < line.length / 2; at += dice.time(1s, 30s)) line.restarts.push_back(at);
  return line;
}

std::string LineCase::text() const {
  const auto ms = [](Duration d) { return static_cast<long long>(d / 1ms); };
  std::array<char, 600> text{};
  const auto shares = [](const Mishaps& m) {
    std::array<char, 160> part{};
    std::snprintf(part.data(), part.size(), "missing %.2f cut %.2f garbled %.2f late %.2f twice %.2f previous %.2f",
                  m.missing, m.cut, m.garbled, m.late, m.twice, m.previous);
    return std::string(part.data());
  };
  std::snprintf(text.data(), text.size(),
                "seed %llu: every %lld ms, time-out %lld, retries %d, %d quantities%s%s%s, halves %s, functions %s, "
                "latency %lld + %lld, "
                "queue %lld, late by %lld, pieces %d; %s; spell of %lld ms: %s; %zu restarts",
                static_cast<unsigned long long>(seed), ms(interval), ms(timeout), retries, quantities,
                mixed_shapes ? ", mixed" : "", steady ? ", steady" : "", equal ? ", equal" : "",
                knows_halves       ? "answered"
                : speaks_of_halves ? "refused"
                                   : "ignored",
                knows_functions ? "refused" : "ignored", ms(latency), ms(jitter), ms(longest_queue), ms(late_by),
                pieces, shares(usual).c_str(), ms(spell_latency), shares(in_spell).c_str(), restarts.size());
  return text.data();
}

namespace {

/// Follows what comes out of the decoder, beside what the meter said.
class Judge {
 public:
  Judge(const LineCase& line, const RandomMeter& meter) : line_(line), meter_(meter) {
    // All questions of a round, each as slow as it can be, and the clearing ones, have to fit.
    const Duration answer = line.latency + line.jitter + 25ms;
    const bool quick =
        answer * 2 < line.timeout && answer * (line.quantities + 3) < line.interval && line.longest_queue > answer;
    // Registers that hold the same number are told apart by clearing questions, as often as there is time.
    result_.must_be_complete = quick && !line.equal && line.usual.any() < 1e-9;
    const Duration settled = std::max(line.restarts.empty() ? Duration{0} : line.restarts.back(), line.spell_to);
    well_from_ = settled + std::max(settling, line.interval * 12);
  }

  void take(const drivers::Measurement& reading, Duration now) {
    ++result_.readings;
    if (!reading.at || *reading.at > now) return wrong("without a time of its own", now);
    const Duration at = *reading.at;
    if (at <= last_at_) ++result_.disordered;
    last_at_ = at;
    for (std::size_t q = 0; q < static_cast<std::size_t>(line_.quantities); ++q)
      if (const auto value = reading.values.get(quantities[q])) take_value(q, value->value(), at, now);
    if (at < well_from_ || at > line_.length - line_.interval * 2) return;
    if (now - at > line_.interval + line_.timeout) ++result_.late;
    ++result_.in_slots;
    bool whole = true;
    for (std::size_t q = 0; q < static_cast<std::size_t>(line_.quantities); ++q)
      whole = whole && reading.values.has(quantities[q]);
    if (whole) ++result_.whole;
  }

  [[nodiscard]] LineResult result() {
    const Duration until = line_.length - line_.interval * 2;
    if (until > well_from_) result_.slots = static_cast<int>((until - well_from_) / line_.interval);
    return result_;
  }

 private:
  void take_value(std::size_t q, double value, Duration at, Duration now) {
    const std::vector<Said>& said = meter_.said();
    // The power's answer came at the reading's own time; the others within the round.
    const auto fits = [&](Duration heard) {
      return q == 0 ? heard <= at && at - heard <= 2ms : heard <= now && heard + line_.interval * 2 + 12s >= at;
    };
    for (std::size_t i = said.size(); i-- > 0;) {
      if (said[i].quantity != q || static_cast<double>(said[i].value) != value) continue;
      const auto heard = std::find_if(said[i].heard_at.begin(), said[i].heard_at.end(), fits);
      if (heard == said[i].heard_at.end()) continue;
      if (q == 0 && !used_.insert(*heard).second) ++result_.doubled;
      return;
    }
    wrong(std::string(quantity_column(quantities[q])) + " " + std::to_string(value), at);
  }

  void wrong(const std::string& what, Duration at) {
    if (result_.wrong++ == 0) result_.first_wrong = what + " at " + std::to_string(at / 1ms) + " ms";
  }

  const LineCase& line_;
  const RandomMeter& meter_;
  LineResult result_;
  Duration well_from_{};
  Duration last_at_{-1};
  std::set<Duration> used_;  ///< answers with the power, by when they were heard
};

}  // namespace

bool LineResult::is_good() const {
  const bool all_there = !must_be_complete || (in_slots + 1 >= slots && whole + 2 >= in_slots && late == 0);
  return wrong == 0 && doubled == 0 && disordered == 0 && all_there;
}

LineResult run_line(const LineCase& line, const MakeDecoder& make) {
  RandomMeter meter(line);
  const MeterProfile profile = profile_of(line, meter);
  Judge judge(line, meter);
  drivers::Output out;
  auto decoder = make(profile);
  decoder->reset(Duration{0});
  std::size_t restart = 0;
  for (Duration now{0}; now < line.length; now += 1ms) {
    if (restart < line.restarts.size() && now >= line.restarts[restart]) {
      ++restart;
      decoder = make(profile);
      decoder->reset(now);
    }
    const Bytes bytes = meter.arrived(now);
    if (!bytes.empty()) decoder->feed(bytes, now, out);
    decoder->tick(now, out);
    for (const drivers::Measurement& reading : out.readings) judge.take(reading, now);
    const Bytes asked = std::exchange(out.send, {});
    out = {};
    if (!asked.empty()) meter.ask(asked, now);
  }
  return judge.result();
}

}  // namespace nightwatt::test
