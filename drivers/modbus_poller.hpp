// Asks a Modbus RTU meter on a fixed grid and takes its answers.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "drivers/decoder.hpp"
#include "modbus_plan.hpp"

namespace nightwatt::drivers::modbus {

/// Silence on the line that ends a frame, to be kept before sending (Serial Line V1.02, 2.5.1.1): 3.5 characters, and
/// 1.75 ms where the line is faster than 19200 baud.
[[nodiscard]] Duration frame_pause(const LineSettings& line);

/// The live side of modbus-rtu. One reading needs the answers to all requests of the plan; they are asked one after the
/// other, from each slot of a grid of `interval` that starts with the first request. A slot that passes while the one
/// before is still being asked is skipped.
///
/// An answer is taken as soon as its last byte is there, wherever it begins, so that noise in front of it or a cut
/// answer before it costs nothing. What else came is reported when the next request is sent. The echo of our own
/// request, which two-wire adapters make, is dropped and no fault.
///
/// After a time-out the answer may still come. A repeated question may take it, for it is the same; any other question
/// waits until the answer came or one more time-out passed, because an answer does not say which registers it is of.
class Poller final : public Decoder {
 public:
  Poller(Plan plan, const ModbusRtuSettings& settings, const LineSettings& line, Duration interval);

  void feed(std::span<const std::byte> bytes, Duration now, Output& out) override;
  void tick(Duration now, Output& out) override;
  [[nodiscard]] std::optional<Duration> next_tick() const override;
  void reset(Duration now) override;

 private:
  enum class Phase : std::uint8_t {
    idle,     ///< until the next slot
    pausing,  ///< a request is due as soon as the line has been silent
    waiting,  ///< for an answer
  };

  [[nodiscard]] const Request& current() const { return plan_.requests()[index_]; }
  [[nodiscard]] Duration silent_at() const;
  void begin_pause(Duration now);
  void send(Duration now, Output& out);
  void on_deadline(Duration now, Output& out);
  void end_cycle(Duration now);

  void check_end(Duration now, Output& out);
  void check_late(Duration now);
  [[nodiscard]] bool drop_echo(Output& out);
  void on_answer(std::size_t length, Duration now, Output& out);
  void on_exception(Duration now, Output& out);
  void flush_stray(std::size_t count, std::vector<Fault>& faults);

  Plan plan_;
  Duration timeout_;
  int retries_;
  Duration interval_;
  Duration character_time_;
  Duration pause_;

  Phase phase_ = Phase::idle;
  std::optional<Duration> slot_;                  ///< of the cycle that runs or comes; none before the first
  std::size_t index_ = 0;                         ///< request of the plan
  int tries_ = 0;                                 ///< of this request, sent
  bool outstanding_ = false;                      ///< an answer to the last request sent may be taken
  std::optional<Request> asked_;                  ///< the last request sent, and
  std::array<std::byte, request_length> sent_{};  ///< its bytes
  Duration deadline_{};
  Duration pause_began_{};
  std::optional<Duration> last_byte_;
  int owed_ = 0;           ///< answers to requests that timed out, which may still come
  Duration owed_until_{};  ///< and until when they are waited for

  std::vector<std::byte> buffer_;  ///< bytes not accounted for, at most stray_limit
  std::uint64_t fed_ = 0;          ///< bytes ever
  Values values_;                  ///< of the answers of this cycle so far
  std::uint64_t reading_at_ = 0;
};

}  // namespace nightwatt::drivers::modbus
