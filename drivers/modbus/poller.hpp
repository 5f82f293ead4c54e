// Asks a Modbus RTU meter on a fixed grid and takes its answers.
#pragma once

#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "drivers/decoder.hpp"
#include "drivers/modbus/settings.hpp"
#include "modbus/debts.hpp"
#include "modbus/plan.hpp"
#include "modbus/round.hpp"

namespace nightwatt::drivers::modbus {

/// Silence on the line that ends a frame, to be kept before sending (Serial Line V1.02, 2.5.1.1): 3.5 characters, and
/// 1.75 ms where the line is faster than 19200 baud.
[[nodiscard]] Duration frame_pause(const LineSettings& line);

/// The live side of modbus-rtu. The requests of a round are asked one after the other, that with the power first.
///
/// An answer is taken as soon as its last byte is there, wherever it begins, so that noise in front of it or a cut
/// answer before it costs nothing. What else came is reported when the next request is sent. The echo of our own
/// request, which two-wire adapters make, is dropped and no fault.
///
/// An answer does not say which registers it is of. Where one to another question of the same shape may still come
/// (after the opening, a time-out, a damaged answer, another master's question), the clearing question goes first: see
/// Plan::clearing_questions(). An answer that equals the last one to another question may be that one, sent twice or in
/// place of this one: it waits for the clearing answer, and then the question is asked again; what comes twice counts,
/// and what equals none. So does the first reading after an opening, for the program before may have asked the same
/// clearing questions of a meter that is slower than its time-out. A meter that does not answer the clearing question
/// is given a long silence instead. Where answers to the program before come, the rest of them is waited out.
class Poller final : public Decoder {
 public:
  Poller(Plan plan, const ModbusRtuSettings& settings, const LineSettings& line, Duration interval);

  void feed(std::span<const std::byte> bytes, Duration now, Output& out) override;
  void tick(Duration now, Output& out) override;
  [[nodiscard]] std::optional<Duration> next_tick() const override;
  void reset(Duration now) override;

 private:
  enum class Phase : std::uint8_t {
    listening,  ///< after the opening: what comes is an answer to somebody else
    idle,       ///< until the next slot
    pausing,    ///< a request is due as soon as the line has been silent
    waiting,    ///< for an answer
  };
  /// Whether a meter that refuses the clearing questions for registers says something to those for bits.
  enum class Bits : std::uint8_t { untried, tried, known, ignored };
  /// An answer that may be a doubled one of another request.
  struct Held {
    std::vector<std::byte> data;
    std::uint64_t at_byte = 0;
    Duration at{};
  };

  [[nodiscard]] const Request& asking() const { return clearing_ ? clearings_[clearing_now_] : round_.current(); }
  [[nodiscard]] Duration silent_at() const;
  [[nodiscard]] Duration give_up_at() const;
  [[nodiscard]] bool looks_broken() const;

  void next_request(Duration now, Output& out);
  void begin_pause(Duration now);
  void send(Duration now, Output& out);
  void on_deadline(Duration now, Output& out);
  void on_no_clearing(Duration now, Output& out);
  void give_up(Duration now, Output& out);
  void leave_unclear(Duration now, Output& out);
  void forget_clearings(Duration now);
  void end_round(Duration now, Output& out);

  void on_byte(Duration now, Output& out);
  [[nodiscard]] bool drop_echo(Output& out);
  [[nodiscard]] bool take_clearing(Duration now, Output& out);
  [[nodiscard]] std::optional<Request> clearing_answered(std::size_t& length) const;
  [[nodiscard]] bool was_just_cleared(Duration now) const;
  [[nodiscard]] bool is_clear() const;
  void use_bits(Bits state);
  [[nodiscard]] bool distrust(Duration now);
  void forget_line(Duration now);
  void expire_clearings(Duration now);
  [[nodiscard]] bool is_clearing_out(Duration now);
  void begin_clearing(Duration now);
  [[nodiscard]] bool take_answer(Duration now, Output& out);
  [[nodiscard]] bool take_refusal(Duration now, Output& out);
  void note_stray(Duration now, Output& out);
  void note_question(Duration now, Output& out);
  [[nodiscard]] bool may_become_answer() const;
  [[nodiscard]] Duration clearing_wait() const;
  void on_answer(std::span<const std::byte> data, std::uint64_t at_byte, Duration at, Duration now, Output& out);
  void on_clear(Duration now, Output& out);
  void ask_again(Duration now, Output& out);
  [[nodiscard]] bool was_just_heard(std::span<const std::byte> data, const Request& shape, Duration now) const;
  [[nodiscard]] bool may_be_doubled(std::span<const std::byte> data, const Request& of, Duration now) const;
  void learn(Duration took);
  void note_pause(Duration now);
  void flush_stray(std::size_t count, std::vector<Fault>& faults);

  Round round_;
  std::array<Request, 2> clearings_;        ///< taken by turns: a doubled answer to one is none to the other
  std::array<Request, 2> other_clearings_;  ///< not in use
  Bits bits_ = Bits::untried;
  Duration timeout_;
  int retries_;
  Duration character_time_;
  Duration pause_;
  Duration answer_timeout_;  ///< how long an answer is waited for: the time-out, or longer where the meter was seen to
                             ///< need it
  Duration usual_{};         ///< what this meter takes to answer, of late; 0: not known
  Duration broken_after_;    ///< silence within an answer that ends it

  Phase phase_ = Phase::idle;
  std::size_t clearing_now_ = 1;
  bool clearing_ = false;     ///< the clearing question is asked, not the round's
  int tries_ = 0;             ///< of this request, sent
  bool outstanding_ = false;  ///< an answer to the last request sent may be taken
  std::array<std::byte, request_length> sent_{};
  bool sent_any_ = false;
  Duration sent_at_{};
  Duration deadline_{};
  Duration pause_began_{};
  Duration opened_at_{};
  Duration hold_until_{};  ///< a meter without clearing answers: no request before
  std::optional<Duration> last_byte_;

  Debts debts_;
  int unanswered_clearings_ = 0;   ///< while the meter answered what was asked behind them
  bool clearing_unheard_ = false;  ///< the newest one was not answered
  bool clears_ = true;             ///< the meter answers the clearing question
  bool ever_cleared_ = false;
  std::optional<Duration> unclear_since_;        ///< one clearing question was not enough, since
  std::optional<Duration> forget_unless_heard_;  ///< see forget_clearings()
  bool refuses_clearing_ = false;                ///< the newest clearing answer was a refusal
  std::optional<Held> held_;
  std::vector<std::byte> suspect_;  ///< an answer that equalled another question's; it counts when it comes again
  bool out_of_step_ = false;        ///< an answer came where a clearing answer was due: that one is waited for
  int suspicions_ = 0;              ///< running, of this question
  bool proving_ = false;            ///< the first round after an opening counts when a clearing answer came behind it
  std::optional<Duration> cleared_at_;
  struct LastAnswer {
    std::vector<std::byte> data;
    Duration at{};
    /// Whether there is one, of these bytes.
    [[nodiscard]] bool is(std::span<const std::byte> bytes) const {
      return !data.empty() && std::equal(bytes.begin(), bytes.end(), data.begin(), data.end());
    }
  };
  std::vector<LastAnswer> last_;  ///< of each request of the plan
  LastAnswer stray_;              ///< the newest that came when none was awaited, to whichever request

  /// Another master's question, unless the awaited answer begins so.
  struct Overheard {
    Request question;
    std::uint64_t at_byte = 0;
  };
  std::optional<Overheard> overheard_;

  std::vector<std::byte> buffer_;  ///< bytes not accounted for, at most stray_limit
  std::uint64_t fed_ = 0;          ///< bytes ever
  std::uint64_t pause_at_ = 0;  ///< offset of the byte before which the line was silent as if an answer had broken off
};

}  // namespace nightwatt::drivers::modbus
