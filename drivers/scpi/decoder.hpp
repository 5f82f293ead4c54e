// The live and the capture side of scpi.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "drivers/decoder.hpp"
#include "drivers/scpi/settings.hpp"
#include "question_round.hpp"
#include "scpi/plan.hpp"
#include "text/splitter.hpp"

namespace nightwatt::drivers::scpi {

/// Asks an instrument, a line out and a line back.
///
/// An answer does not say which query it is to, and to a header it does not know an instrument says nothing. So after
/// the opening and after a time-out the error queue is asked (SYSTem:ERRor?): its answer has a form of its own, so that
/// it tells what the instrument had against the query, and that no answer to something before is on its way. A late
/// answer that comes before it is taken for the query it is to. An instrument that does not answer that either is given
/// as much silence instead. A query beside the power that has no answer is then left alone for a while.
class Instrument final : public Decoder {
 public:
  Instrument(Plan plan, const ScpiSettings& settings, const LineSettings& line, Duration interval);

  void feed(std::span<const std::byte> bytes, Duration now, Output& out) override;
  void tick(Duration now, Output& out) override;
  [[nodiscard]] std::optional<Duration> next_tick() const override;
  void reset(Duration now) override;

 private:
  enum class Phase : std::uint8_t {
    listening,  ///< after the opening: what comes is an answer to somebody else
    idle,       ///< until the next slot
    waiting,    ///< for the answer to a query
    clearing,   ///< for the answer of the error queue
    quiet,      ///< an instrument without an error queue: nothing is asked for a while
  };

  void ask(Duration now, Output& out);
  void ask_errors(Duration now, Output& out);
  void send(const std::string& line, Duration now, Output& out);
  void next_query(Duration now, Output& out);
  void on_deadline(Duration now, Output& out);
  void on_cleared(Duration now, Output& out);
  void on_line(std::string_view line, std::uint64_t at_byte, Duration now, Output& out);
  void on_error_line(int number, std::string_view text, std::uint64_t at_byte, Duration now, Output& out);
  [[nodiscard]] bool take(std::string_view line, std::uint64_t at_byte, Duration now, Output& out);
  void give_up(Duration now, Output& out);
  void rest(Duration now);

  Plan plan_;
  ScpiSettings settings_;
  Duration character_time_;
  QuestionRound round_;
  text::LineSplitter lines_;

  /// A query that the instrument does not know costs a time-out: it is asked again after a minute, then after longer.
  struct Rest {
    Duration until{};
    Duration length{};
  };
  std::vector<Rest> rests_;  ///< a query each

  Phase phase_ = Phase::idle;
  bool opening_ = false;  ///< setup is still to be sent, or its errors to be read
  Duration deadline_{};
  int tries_ = 0;                ///< of this query
  std::string sent_;             ///< the last line, for its echo
  bool asked_ = false;           ///< the query's answer is still to come
  bool refused_ = false;         ///< the instrument said an error to it
  int errors_read_ = 0;          ///< running
  bool has_errors_ = false;      ///< it has answered SYSTem:ERRor? once
  bool without_errors_ = false;  ///< it has not, though it answered others
  std::uint64_t fed_ = 0;
};

/// A captured stream: answers, perhaps with the queries between them. Without queries the answers are taken in the
/// profile's order.
class CaptureAnswers final : public CaptureDecoder {
 public:
  explicit CaptureAnswers(Plan plan) : plan_(std::move(plan)) {}
  void feed(std::span<const std::byte> bytes, Output& out) override;
  void finish(Output& out) override;

 private:
  void on_line(const text::LineSplitter::Line& line, Output& out);
  void end_round(Output& out);

  Plan plan_;
  text::LineSplitter lines_;
  std::optional<std::size_t> asked_;  ///< by a query in the capture
  bool has_queries_ = false;
  std::size_t next_ = 0;    ///< query whose answer comes next
  std::uint32_t have_ = 0;  ///< a bit a query answered in this round
  Values values_;
  std::uint64_t reading_at_ = 0;
};

}  // namespace nightwatt::drivers::scpi
