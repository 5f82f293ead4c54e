#include "scpi/decoder.hpp"

#include <algorithm>

#include "fault_text.hpp"
#include "scpi/number.hpp"

namespace nightwatt::drivers::scpi {

namespace {

const std::string error_query = "SYST:ERR?";
/// SCPI-99 lets the queue hold any number of errors; more than a screenful at once are not read.
constexpr int most_errors = 20;
/// An answer is longer than a number by its other fields; its time on the wire is added to the time-out.
constexpr std::int64_t answer_characters = 64;

/// How long a query without an answer is left alone: at first, and at most.
constexpr Duration first_rest{60'000'000};
constexpr Duration longest_rest{3'600'000'000};

bool is_same_header(std::string_view line, std::string_view query) {
  return std::equal(line.begin(), line.end(), query.begin(), query.end(), [](char a, char b) {
    const auto upper = [](char c) { return c >= 'a' && c <= 'z' ? static_cast<char>(c - 'a' + 'A') : c; };
    return upper(a) == upper(b);
  });
}

std::string_view without_blanks(std::string_view line) {
  while (!line.empty() && (line.back() == ' ' || line.back() == '\t')) line.remove_suffix(1);
  while (!line.empty() && (line.front() == ' ' || line.front() == '\t')) line.remove_prefix(1);
  return line;
}

}  // namespace

Instrument::Instrument(Plan plan, const ScpiSettings& settings, const LineSettings& line, Duration interval)
    : plan_(std::move(plan)),
      settings_(settings),
      character_time_(line.character_time()),
      round_(plan_.queries().size(), plan_.main(), interval),
      rests_(plan_.queries().size()) {}

void Instrument::reset(Duration now) {
  round_.abandon(now);
  lines_.forget_line();
  sent_.clear();
  rests_.assign(rests_.size(), Rest{});
  tries_ = 0;
  asked_ = false;
  refused_ = false;
  errors_read_ = 0;
  opening_ = true;
  phase_ = Phase::listening;
  deadline_ = now + settings_.timeout;
}

std::optional<Duration> Instrument::next_tick() const {
  if (phase_ == Phase::idle) return round_.next_slot().value_or(Duration{0});
  return deadline_;
}

void Instrument::tick(Duration now, Output& out) {
  if (now < *next_tick()) return;
  switch (phase_) {
    case Phase::listening:
      lines_.forget_line();
      for (const std::string& line : settings_.setup) send(line, now, out);
      ask_errors(now, out);
      break;
    case Phase::idle:
      round_.begin(now);
      next_query(now, out);
      break;
    case Phase::quiet:
      on_cleared(now, out);
      break;
    case Phase::waiting:
    case Phase::clearing:
      on_deadline(now, out);
      break;
  }
}

void Instrument::send(const std::string& line, Duration now, Output& out) {
  for (const char c : line + "\n") out.send.push_back(static_cast<std::byte>(c));
  sent_ = line;
  const auto characters = static_cast<std::int64_t>(line.size()) + answer_characters;
  deadline_ = now + settings_.timeout + character_time_ * characters;
}

void Instrument::ask(Duration now, Output& out) {
  phase_ = Phase::waiting;
  asked_ = true;
  refused_ = false;
  ++tries_;
  send(plan_.queries()[round_.current_index()], now, out);
}

void Instrument::ask_errors(Duration now, Output& out) {
  if (without_errors_) {
    phase_ = Phase::quiet;
    deadline_ = now + settings_.timeout;
    return;
  }
  phase_ = Phase::clearing;
  send(error_query, now, out);
}

void Instrument::next_query(Duration now, Output& out) {
  tries_ = 0;
  while (!round_.over() && !round_.at_main() && now < rests_[round_.current_index()].until) round_.failed();
  if (round_.goes_on(now)) return ask(now, out);
  round_.end(now, out);
  phase_ = Phase::idle;
}

void Instrument::on_deadline(Duration now, Output& out) {
  if (phase_ == Phase::waiting) {
    errors_read_ = 0;
    return ask_errors(now, out);
  }
  // No answer from the error queue. It has none, or nobody is there.
  if (!has_errors_ && round_.has_reading()) without_errors_ = true;
  on_cleared(now, out);
}

/// Nothing is on its way any more, and what the instrument had to say was said.
void Instrument::on_cleared(Duration now, Output& out) {
  lines_.forget_line();
  errors_read_ = 0;
  if (opening_) {
    opening_ = false;
    phase_ = Phase::idle;
    return;
  }
  if (!asked_) return next_query(now, out);  // its answer came while the errors were asked for
  if (!refused_ && tries_ <= settings_.retries && round_.has_time(now)) return ask(now, out);
  if (!refused_) out.faults.push_back(no_answer(fed_, "to " + plan_.queries()[round_.current_index()], tries_));
  rest(now);
  give_up(now, out);
}

/// Not that of the power: without it there is no reading.
void Instrument::rest(Duration now) {
  if (round_.at_main()) return;
  Rest& rest = rests_[round_.current_index()];
  rest.length = rest.length == Duration{0} ? first_rest : std::min(rest.length * 2, longest_rest);
  rest.until = now + rest.length;
}

void Instrument::give_up(Duration now, Output& out) {
  asked_ = false;
  round_.failed();
  next_query(now, out);
}

void Instrument::feed(std::span<const std::byte> bytes, Duration now, Output& out) {
  const std::uint64_t all = fed_ + bytes.size();
  lines_.feed(bytes, [&](const text::LineSplitter::Line& line) {
    fed_ = line.at_byte + line.text.size() + 1;  // whatever the pieces, a fault is at the line it came of
    if (phase_ == Phase::listening) return;
    if (line.too_long) {
      out.faults.push_back(make_fault(FaultKind::malformed, line.at_byte, "an answer of more than 1024 characters"));
      return;
    }
    const std::string_view text = without_blanks(line.text);
    if (!text.empty()) on_line(text, line.at_byte, now, out);
  });
  fed_ = all;
}

void Instrument::on_line(std::string_view line, std::uint64_t at_byte, Duration now, Output& out) {
  if (is_same_header(line, sent_)) return;  // the unit's echo
  for (const std::string& setup : settings_.setup)
    if (is_same_header(line, setup)) return;
  int number = 0;
  std::string_view text;
  if (read_error(line, number, text)) return on_error_line(number, text, at_byte, now, out);
  if (begins_as_error(line)) {  // the deadline asks again
    out.faults.push_back(
        make_fault(FaultKind::malformed, at_byte, "a damaged answer of the error queue: " + quoted(line)));
    return;
  }
  const bool awaited = asked_ && (phase_ == Phase::waiting || phase_ == Phase::clearing);
  if (!awaited) {
    if (!opening_)
      out.faults.push_back(
          make_fault(FaultKind::mismatch, at_byte, "an answer that nobody waits for: " + quoted(line)));
    return;
  }
  const bool taken = take(line, at_byte, now, out);
  if (phase_ == Phase::clearing) {
    if (taken) asked_ = false;
    return;
  }
  asked_ = false;
  if (taken) return next_query(now, out);
  // A damaged answer is asked again: nothing else is on its way.
  if (tries_ <= settings_.retries) return ask(now, out);
  give_up(now, out);
}

bool Instrument::take(std::string_view line, std::uint64_t at_byte, Duration now, Output& out) {
  if (!plan_.take(round_.current_index(), line, at_byte, round_.values(), out.faults)) return false;
  rests_[round_.current_index()] = {};
  round_.answered(at_byte, now);
  return true;
}

void Instrument::on_error_line(int number, std::string_view text, std::uint64_t at_byte, Duration now, Output& out) {
  has_errors_ = true;
  without_errors_ = false;
  if (phase_ != Phase::clearing) return;  // late, and of no use any more
  if (number == 0) return on_cleared(now, out);
  const std::string about = asked_     ? " (after " + plan_.queries()[round_.current_index()] + ")"
                            : opening_ ? " (after the setup)"
                                       : "";
  out.faults.push_back(make_fault(FaultKind::exception, at_byte,
                                  "the instrument says " + std::to_string(number) + ", " + quoted(text, 80) + about));
  refused_ = asked_;
  if (++errors_read_ >= most_errors) return on_cleared(now, out);
  ask_errors(now, out);
}

void CaptureAnswers::feed(std::span<const std::byte> bytes, Output& out) {
  lines_.feed(bytes, [&](const text::LineSplitter::Line& line) { on_line(line, out); });
}

void CaptureAnswers::finish(Output& out) {
  lines_.finish([&](const text::LineSplitter::Line& line) {
    if (without_blanks(line.text).empty()) return;
    out.faults.push_back(make_fault(FaultKind::malformed, line.at_byte,
                                    "the last line has no end and may be cut: " + quoted(line.text)));
  });
}

void CaptureAnswers::on_line(const text::LineSplitter::Line& line, Output& out) {
  if (line.too_long) {
    out.faults.push_back(make_fault(FaultKind::malformed, line.at_byte, "a line of more than 1024 characters"));
    return;
  }
  const std::string_view text = without_blanks(line.text);
  if (text.empty()) return;
  const std::vector<std::string>& queries = plan_.queries();
  const auto query = std::find_if(queries.begin(), queries.end(),
                                  [&](const std::string& known) { return is_same_header(text, known); });
  if (query != queries.end()) {
    asked_ = static_cast<std::size_t>(query - queries.begin());
    has_queries_ = true;
    return;
  }
  // Other queries and commands begin with a letter, * or :, which no answer that is read does.
  int number = 0;
  std::string_view error;
  if (read_error(text, number, error)) {
    if (number != 0)
      out.faults.push_back(make_fault(FaultKind::exception, line.at_byte,
                                      "the instrument says " + std::to_string(number) + ", " + quoted(error, 80)));
    return;
  }
  if (begins_as_error(text)) {
    out.faults.push_back(
        make_fault(FaultKind::malformed, line.at_byte, "a damaged answer of the error queue: " + quoted(text)));
    return;
  }
  if (text.front() == '*' || text.front() == ':' || text.back() == '?') {
    asked_.reset();
    has_queries_ = true;
    return;
  }
  if (has_queries_ && !asked_) return;  // an answer to something the profile does not ask
  const std::size_t of = asked_.value_or(next_);
  asked_.reset();
  const std::uint32_t bit = 1U << of;
  if ((have_ & bit) != 0) end_round(out);
  if (!plan_.take(of, text, line.at_byte, values_, out.faults)) {
    have_ = 0;
    values_ = {};
    next_ = 0;
    return;
  }
  if (have_ == 0) reading_at_ = line.at_byte;
  have_ |= bit;
  next_ = (of + 1) % queries.size();
  if (have_ == (std::uint32_t{1} << queries.size()) - 1) end_round(out);
}

void CaptureAnswers::end_round(Output& out) {
  const bool has_main = (have_ & (1U << plan_.main())) != 0;
  if (has_main && !values_.empty()) out.readings.push_back(Measurement{values_, reading_at_, std::nullopt});
  have_ = 0;
  values_ = {};
}

}  // namespace nightwatt::drivers::scpi
