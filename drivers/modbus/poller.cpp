#include "modbus/poller.hpp"

#include <algorithm>
#include <string>
#include <utility>

#include "fault_text.hpp"

namespace nightwatt::drivers::modbus {

namespace {

/// Two frames: one that is being received and as much noise in front of it.
constexpr std::size_t stray_limit = 2 * longest_frame;

/// The clearing question is asked this often before the line counts as clear, or the meter as one without an answer.
constexpr int clearing_tries = 3;
/// A meter that answers other questions and not this one, this often running, does not know it.
constexpr int clearings_to_tell = 2;
/// Silence that stands for a clearing answer, in time-outs.
constexpr int long_silence = 3;
/// A question whose answer equals another's is asked again so often: an equal pair settles it, and so does one that
/// equals none; a meter that never comes to either is not to be believed.
constexpr int suspicions_limit = 3;
/// An answer that takes more than so many usual ones is most likely lost.
constexpr int usual_answers = 2;
/// An answer is not waited for longer than this, however slow the meter was: a round must end some time.
constexpr Duration longest_answer_timeout{5'000'000};
/// No answer comes later than this behind its question, nor behind the opening where the program before had asked it.
constexpr Duration latest_answer{10'000'000};
/// A line on which answers to somebody else were heard must be silent for so many time-outs before it counts as empty.
constexpr int empty_silence = 2;
/// A USB bridge hands its bytes over every 16 ms (the usual latency timer), a busy machine later.
constexpr Duration bridge_latency{40'000};
constexpr int broken_characters = 5;

int number(std::byte byte) {
  return std::to_integer<int>(byte);
}

/// The last `length` bytes, if there are so many.
std::span<const std::byte> tail(const std::vector<std::byte>& bytes, std::size_t length) {
  if (bytes.size() < length) return {};
  return std::span(bytes).last(length);
}

bool is_answer_to(std::span<const std::byte> bytes, const Request& request) {
  return !bytes.empty() && begins_answer(bytes, request) && check_is_good(bytes);
}

bool is_refusal_of(std::span<const std::byte> bytes, const Request& request) {
  return bytes.size() == exception_length && number(bytes[0]) == request.unit &&
         number(bytes[1]) == (request.function | 0x80) && check_is_good(bytes);
}

}  // namespace

Duration frame_pause(const LineSettings& line) {
  constexpr std::uint32_t fixed_above_baud = 19200;
  constexpr Duration fixed{1750};
  if (line.baud > fixed_above_baud) return fixed;
  return Duration((line.character_time().count() * 7 + 1) / 2);
}

Poller::Poller(Plan plan, const ModbusRtuSettings& settings, const LineSettings& line, Duration interval)
    : round_(std::move(plan), interval),
      clearings_(round_.plan().clearing_questions()),
      other_clearings_(round_.plan().clearing_questions_for_bits()),
      timeout_(settings.timeout),
      retries_(settings.retries),
      character_time_(line.character_time()),
      pause_(frame_pause(line)),
      answer_timeout_(settings.timeout),
      broken_after_(bridge_latency + line.character_time() * broken_characters),
      last_(round_.plan().requests().size()) {
  buffer_.reserve(stray_limit);
}

void Poller::reset(Duration now) {
  forget_line(now);
  opened_at_ = now;
  answer_timeout_ = timeout_;
  usual_ = {};
  hold_until_ = now + timeout_ * (clears_ ? 1 : long_silence);
}

/// Nothing is known of what is on its way: the line is listened to before anything is asked.
void Poller::forget_line(Duration now) {
  round_.abandon(now);
  buffer_.clear();
  debts_.forget();
  if (clears_) debts_.doubt();
  proving_ = true;
  cleared_at_.reset();
  held_.reset();
  suspect_.clear();
  suspicions_ = 0;
  out_of_step_ = false;
  forget_unless_heard_.reset();
  for (LastAnswer& last : last_) last.data.clear();
  stray_ = {};
  outstanding_ = false;
  clearing_ = false;
  sent_any_ = false;
  overheard_.reset();
  last_byte_.reset();
  phase_ = Phase::listening;
}

Duration Poller::silent_at() const {
  Duration at = std::max(pause_began_, hold_until_);
  // On a line that never falls silent we ask all the same after one time-out: waiting longer helps nobody.
  if (last_byte_) at = std::max(at, std::min(*last_byte_ + pause_, pause_began_ + std::max(timeout_, pause_)));
  return at;
}

/// Bytes that are no answer yet and more than what a line makes when it turns round.
bool Poller::looks_broken() const {
  const auto is_damage = [](std::byte b) { return b != std::byte{0} && b != std::byte{0xFF}; };
  return buffer_.size() >= 3 && std::any_of(buffer_.begin(), buffer_.end(), is_damage);
}

/// When the answer is given up: at the deadline, or sooner where it broke off.
Duration Poller::give_up_at() const {
  if (!last_byte_ || *last_byte_ < sent_at_ || !looks_broken()) return deadline_;
  return std::min(deadline_, *last_byte_ + broken_after_);
}

std::optional<Duration> Poller::next_tick() const {
  switch (phase_) {
    case Phase::listening:
      return hold_until_;
    case Phase::idle:
      return round_.next_slot().value_or(Duration{0});
    case Phase::pausing:
      return silent_at();
    case Phase::waiting:
      return give_up_at();
  }
  return std::nullopt;
}

void Poller::tick(Duration now, Output& out) {
  // A slot leads to a pause, a pause to a request: no more than these can be due at one instant.
  constexpr int most_steps = 4;
  for (int step = 0; step < most_steps; ++step) {
    if (now < *next_tick()) return;
    switch (phase_) {
      case Phase::listening:
        buffer_.clear();
        phase_ = Phase::idle;
        break;
      case Phase::idle:
        round_.begin(now);
        next_request(now, out);
        break;
      case Phase::pausing:
        send(now, out);
        break;
      case Phase::waiting:
        on_deadline(now, out);
        break;
    }
  }
}

/// Goes on with the round: its next request, the clearing question before it, or its end.
void Poller::next_request(Duration now, Output& out) {
  tries_ = 0;
  clearing_ = false;
  outstanding_ = false;
  if (!round_.goes_on(now)) {
    if (!proving_ || !clears_ || !round_.has_reading()) return end_round(now, out);
    begin_clearing(now);
    return begin_pause(now);
  }
  if (out_of_step_ && clears_) {
    begin_clearing(now);
  } else if (!debts_.clear_for(round_.current())) {
    const std::optional<Duration> rival = debts_.newest_rival(round_.current());
    const Duration coming_by = rival ? *rival + usual_ * usual_answers : now;
    if (!clears_) {
      hold_until_ = sent_at_ + answer_timeout_ * long_silence;
    } else if (!round_.at_main() && now < coming_by && round_.has_time(coming_by)) {
      hold_until_ = coming_by;
    } else if (!round_.at_main() && is_clearing_out(now)) {
      // One more would only lengthen the queue of a meter that is slow; what it answers counts whenever it comes.
      return leave_unclear(now, out);
    } else {
      begin_clearing(now);
    }
  }
  begin_pause(now);
}

void Poller::begin_pause(Duration now) {
  phase_ = Phase::pausing;
  pause_began_ = now;
}

void Poller::send(Duration now, Output& out) {
  if (held_ && !clearing_) return on_clear(now, out);
  note_question(now, out);
  // A retry leaves what came of the answer: its rest may still follow.
  if (tries_ == 0 || !looks_broken()) flush_stray(buffer_.size(), out.faults);
  if (!clearing_ && !debts_.clear_for(round_.current())) {
    if (clears_) return next_request(now, out);  // what was most likely coming did not come
    debts_.forget();                             // the long silence has passed
  }
  const Request& request = asking();
  if (forget_unless_heard_ && (!last_byte_ || *last_byte_ < *forget_unless_heard_))
    for (const Request& clearing : clearings_) debts_.expire(clearing, now);
  forget_unless_heard_.reset();
  debts_.asked(request, now);
  sent_ = request_frame(request);
  sent_any_ = true;
  out.send.insert(out.send.end(), sent_.begin(), sent_.end());
  ++tries_;
  outstanding_ = true;
  sent_at_ = now;
  // The time-out is the meter's time to think: the bytes of both frames need theirs on the wire as well.
  const auto characters = static_cast<std::int64_t>(request_length + request.answer_length());
  deadline_ = now + (clearing_ ? clearing_wait() : answer_timeout_) + character_time_ * characters;
  // What clears the way for a question beside the power is not waited for when the next power is due.
  if (clearing_ && !round_.over() && !held_ && !round_.at_main()) deadline_ = std::min(deadline_, round_.next_due());
  phase_ = Phase::waiting;
}

/// Before the clearing question is asked again. Its answer counts whenever it comes, so that a short wait costs no more
/// than a question.
Duration Poller::clearing_wait() const {
  constexpr Duration shortest{100'000};
  const Duration longest = answer_timeout_ * 2;
  if (usual_ == Duration{0}) return longest;
  return std::min(std::max(usual_ * usual_answers, shortest) * (1 << (tries_ - 1)), longest);
}

void Poller::on_deadline(Duration now, Output& out) {
  if (clearing_) return on_no_clearing(now, out);
  if (tries_ <= retries_ && round_.has_time(now)) return begin_pause(now);
  const bool broken = looks_broken();
  flush_stray(buffer_.size(), out.faults);
  if (!broken) out.faults.push_back(no_answer(fed_, asking().from_whom(), tries_));
  give_up(now, out);
}

void Poller::on_no_clearing(Duration now, Output& out) {
  if (!round_.over() && !round_.has_time(now) && !held_) return leave_unclear(now, out);
  if (tries_ < clearing_tries) return begin_pause(now);
  if (bits_ == Bits::tried) {
    use_bits(Bits::ignored);
    begin_clearing(now);
    return begin_pause(now);
  }
  if (!ever_cleared_) {
    if (now < opened_at_ + longest_answer_timeout && !round_.over() && !held_) return next_request(now, out);
    debts_.trust();
    clearing_unheard_ = true;
  }
  if (ever_cleared_ && refuses_clearing_) forget_clearings(now);
  if (held_) return on_clear(now, out);
  if (round_.over()) {  // the first reading, unproven
    if (ever_cleared_) round_.drop();
    return end_round(now, out);
  }
  if (ever_cleared_) {  // it is not there, or slower than anything seen: asked again in the next round
    out.faults.push_back(no_answer(fed_, asking().from_whom() + ", which tells late answers from new ones", 1));
    round_.leave_rest();
    clearing_ = false;
    return end_round(now, out);
  }
  next_request(now, out);
}

/// There is no time any more to clear the way for what stands beside the power.
void Poller::leave_unclear(Duration now, Output& out) {
  if (!unclear_since_) unclear_since_ = now;
  round_.leave_rest();
  end_round(now, out);
}

/// So that refusals, which all look alike, are not counted one off for ever: when nothing has come in a long silence,
/// none is on its way.
void Poller::forget_clearings(Duration now) {
  hold_until_ = now + answer_timeout_ * long_silence;
  forget_unless_heard_ = now;
}

void Poller::give_up(Duration now, Output& out) {
  outstanding_ = false;
  suspect_.clear();
  suspicions_ = 0;
  round_.failed();
  next_request(now, out);
}

void Poller::end_round(Duration now, Output& out) {
  held_.reset();
  suspect_.clear();
  suspicions_ = 0;
  outstanding_ = false;
  clearing_ = false;
  round_.end(now, out);
  phase_ = Phase::idle;
  if (refuses_clearing_ && unclear_since_ && now - *unclear_since_ >= latest_answer) {
    forget_clearings(now);
    unclear_since_.reset();
  }
}

void Poller::feed(std::span<const std::byte> bytes, Duration now, Output& out) {
  if (bytes.empty()) return;
  note_pause(now);
  for (const std::byte byte : bytes) {
    if (buffer_.size() == stray_limit && phase_ == Phase::listening) buffer_.clear();
    if (buffer_.size() == stray_limit) flush_stray(stray_limit - longest_frame, out.faults);
    buffer_.push_back(byte);
    ++fed_;
    last_byte_ = now;
    if (phase_ == Phase::listening)
      hold_until_ = std::max(hold_until_, std::min(now + timeout_ * empty_silence, opened_at_ + latest_answer));
    if (phase_ != Phase::listening) on_byte(now, out);
  }
}

void Poller::note_pause(Duration now) {
  if (last_byte_ && now - *last_byte_ >= broken_after_) pause_at_ = fed_;
}

void Poller::on_byte(Duration now, Output& out) {
  if (drop_echo(out)) return;
  if (take_clearing(now, out)) return;
  if (outstanding_ && (take_refusal(now, out) || take_answer(now, out))) return;
  note_stray(now, out);
}

bool Poller::drop_echo(Output& out) {
  const std::span<const std::byte> last = tail(buffer_, request_length);
  if (!sent_any_ || last.empty() || !std::equal(last.begin(), last.end(), sent_.begin())) return false;
  flush_stray(buffer_.size() - request_length, out.faults);
  buffer_.clear();
  return true;
}

/// The clearing question whose answer or refusal ends the buffer. A refusal does not say of which it is: of the
/// oldest, unless no other question has its function.
std::optional<Request> Poller::clearing_answered(std::size_t& length) const {
  for (const auto& pair : {clearings_, other_clearings_})
    for (const Request& clearing : pair) {
      length = clearing.answer_length();
      if (is_answer_to(tail(buffer_, length), clearing)) return clearing;
      length = exception_length;
      if (!is_refusal_of(tail(buffer_, length), clearing)) continue;
      if (clearing.is_for_bits()) return clearing;
      const bool awaited = clearing_ && tries_ > 0;
      const std::optional<Request> oldest =
          awaited ? debts_.oldest_of(pair[0], pair[1]) : debts_.oldest(clearing.function);
      if (oldest == pair[0] || oldest == pair[1]) return oldest;
    }
  return std::nullopt;
}

/// Changes between the questions for registers and those for bits.
void Poller::use_bits(Bits state) {
  const bool wanted = state == Bits::tried || state == Bits::known;
  if (clearings_[0].is_for_bits() != wanted) std::swap(clearings_, other_clearings_);
  bits_ = state;
}

/// The clearing answer counts whenever it comes.
bool Poller::take_clearing(Duration now, Output& out) {
  std::size_t length = 0;
  const std::optional<Request> answered = clearing_answered(length);
  if (!answered) return false;
  if (debts_.count(*answered) == 0) {  // not asked for
    if (was_just_cleared(now) || !distrust(now)) flush_stray(buffer_.size(), out.faults);
    return true;
  }
  flush_stray(buffer_.size() - length, out.faults);
  buffer_.clear();
  cleared_at_ = now;
  if (answered->is_for_bits()) use_bits(Bits::known);
  refuses_clearing_ = length == exception_length && !answered->is_for_bits();
  // A refusal does not say of which question it is: of an old one it would seem to have taken long.
  if (const auto took = debts_.cleared(*answered, now))
    learn(refuses_clearing_ ? std::min(*took, timeout_ * usual_answers) : *took);
  ever_cleared_ = true;
  out_of_step_ = false;
  unanswered_clearings_ = 0;
  const bool all_heard = debts_.count(clearings_[0]) + debts_.count(clearings_[1]) == 0;
  if (refuses_clearing_ && bits_ == Bits::untried && all_heard) use_bits(Bits::tried);
  if (!clearing_ || tries_ == 0) return true;
  if (is_clear()) {
    on_clear(now, out);
  } else if (!unclear_since_) {
    unclear_since_ = now;
  }
  return true;
}

/// Whether what looks like a clearing answer may be the newest one, sent twice.
bool Poller::was_just_cleared(Duration now) const {
  return cleared_at_ && now - *cleared_at_ < timeout_ / 2;
}

/// Whether what the clearing question was asked for is settled.
bool Poller::is_clear() const {
  if (round_.over()) return debts_.count(asking()) == 0;
  return held_ ? debts_.count(round_.current()) == 0 : debts_.clear_for(round_.current());
}

/// An answer came to a question that is not ours, or was answered already. Soon after the opening that is one to the
/// program before, and so may be what was taken for ours: the rest of them is waited out.
bool Poller::distrust(Duration now) {
  if (now >= opened_at_ + latest_answer) return false;
  forget_line(now);
  hold_until_ = now + timeout_ * empty_silence;
  return true;
}

void Poller::expire_clearings(Duration now) {
  for (const Request& clearing : clearings_) debts_.expire(clearing, now - latest_answer);
}

/// Whether the clearing question whose turn it is was asked before and may still be answered.
bool Poller::is_clearing_out(Duration now) {
  expire_clearings(now);
  return debts_.count(clearings_[1 - clearing_now_]) > 0;
}

void Poller::begin_clearing(Duration now) {
  expire_clearings(now);
  clearing_ = true;
  clearing_now_ = 1 - clearing_now_;
  tries_ = 0;
}

void Poller::on_clear(Duration now, Output& out) {
  if (tries_ <= 1) unclear_since_.reset();
  outstanding_ = false;
  clearing_ = false;
  if (held_) return ask_again(now, out);
  if (round_.over()) {
    proving_ = false;
    return end_round(now, out);
  }
  next_request(now, out);
}

/// The answer held is the only one that came, and equals another question's: that one, given in its place, or really
/// equal. Asked once more, behind the clearing answer, a meter that gives the answer before gives something else.
void Poller::ask_again(Duration now, Output& out) {
  suspect_ = std::exchange(held_, std::nullopt)->data;
  if (++suspicions_ > suspicions_limit) {
    out.faults.push_back(make_fault(FaultKind::mismatch, fed_,
                                    "the answers to " + round_.current().text() +
                                        " equal those to other questions and change from one to the next"));
    return give_up(now, out);
  }
  next_request(now, out);
}

bool Poller::take_answer(Duration now, Output& out) {
  if (round_.over()) return false;
  // While the clearing question is out, a second answer tells that the one held was a doubled one.
  if (clearing_ && !held_) return false;
  const Request& request = round_.current();
  const std::size_t length = request.answer_length();
  const std::span<const std::byte> last = tail(buffer_, length);
  if (last.empty() || !begins_answer(last, request)) return false;
  if (!check_is_good(last)) {
    // Ask again as soon as the line is silent; if this was noise that looked like an answer, the answer is still taken.
    if (phase_ == Phase::waiting && !clearing_ && tries_ <= retries_) begin_pause(now);
    if (phase_ == Phase::waiting && !clearing_ && tries_ > retries_) deadline_ = now;
    return false;
  }
  const std::uint64_t at_byte = fed_ - length;
  flush_stray(buffer_.size() - length, out.faults);
  const std::vector<std::byte> data(buffer_.begin() + 3, buffer_.end() - 2);
  buffer_.clear();
  overheard_.reset();
  // The rest of what was taken for broken off: this meter, or what carries its bytes, makes such pauses.
  if (pause_at_ > at_byte) broken_after_ = std::min(broken_after_ * 2, std::max(timeout_, broken_after_));
  if (held_ && held_->data == data) return true;  // whether there are two is for the clearing answer to say
  const bool alone = debts_.count(request) == 1;
  // The answer before to this very question, sent twice: its own may still come, and would be taken for the next one's.
  if (!clears_ || !was_just_heard(data, request, now)) static_cast<void>(debts_.answered(request));
  if (held_) {
    held_.reset();
    // Or every answer comes one question late: then the clearing answer, too, is still to come.
    out_of_step_ = true;
    out.faults.push_back(make_fault(FaultKind::mismatch, at_byte, "an answer sent twice"));
    clearing_ = false;
    on_answer(data, at_byte, now, now, out);
    return true;
  }
  if (tries_ == 1 && alone) learn(now - sent_at_);
  if (data != suspect_ && may_be_doubled(data, request, now)) {
    held_ = Held{data, at_byte, now};
    debts_.asked(request, now);  // its own answer may still come
    if (clears_)
      begin_clearing(now);
    else
      hold_until_ = std::max(hold_until_, now + answer_timeout_);
    begin_pause(now);
    return true;
  }
  on_answer(data, at_byte, now, now, out);
  return true;
}

/// Whether an answer of this shape with these bytes came a moment ago: most likely this is that one, sent twice. The
/// answer of the round before may well be equal.
bool Poller::was_just_heard(std::span<const std::byte> data, const Request& shape, Duration now) const {
  const Duration since = now - std::min(answer_timeout_, round_.interval() * 3 / 4);
  const auto is_it = [&](const LastAnswer& last) { return last.at >= since && last.is(data); };
  if (is_it(stray_)) return true;
  const std::vector<Request>& requests = round_.plan().requests();
  for (std::size_t i = 0; i < requests.size(); ++i)
    if (same_shape(requests[i], shape) && is_it(last_[i])) return true;
  return false;
}

/// Whether this equals another request's answer of a moment ago, or the newest one, however old it is: that one, sent
/// twice or in this one's place. An answer that came when none was awaited may have been another request's too.
bool Poller::may_be_doubled(std::span<const std::byte> data, const Request& of, Duration now) const {
  const std::vector<Request>& requests = round_.plan().requests();
  Duration newest = stray_.at;
  for (const LastAnswer& last : last_) newest = std::max(newest, last.at);
  const auto equals = [&](const LastAnswer& last) {
    return (now - last.at <= answer_timeout_ || last.at == newest) && last.is(data);
  };
  for (std::size_t i = 0; i < requests.size(); ++i)
    if (requests[i] != of && same_shape(requests[i], of) && (equals(last_[i]) || equals(stray_))) return true;
  return false;
}

void Poller::on_answer(std::span<const std::byte> data, std::uint64_t at_byte, Duration at, Duration now, Output& out) {
  // A meter that answers what was asked later, and never the clearing question, does not know it.
  if (std::exchange(clearing_unheard_, false) && !ever_cleared_ && ++unanswered_clearings_ >= clearings_to_tell)
    clears_ = false;
  last_[round_.current_index()] = {{data.begin(), data.end()}, now};
  suspect_.clear();
  suspicions_ = 0;
  if (proving_ && !clears_ && round_.at_main()) {
    // No clearing answer stands before the first one: it may be the one before, to whomever. The next one is not.
    proving_ = false;
    return next_request(now, out);
  }
  round_.take(data, at_byte, at, out.faults);
  next_request(now, out);
}

bool Poller::take_refusal(Duration now, Output& out) {
  if (clearing_ || !is_refusal_of(tail(buffer_, exception_length), asking())) return false;
  const int code = number(buffer_[buffer_.size() - 3]);
  flush_stray(buffer_.size() - exception_length, out.faults);
  buffer_.clear();
  // What was answered before and is refused now was most likely not: the refusal is another's, the answer still to
  // come.
  // Right behind a refusal of the clearing question it may be that one, sent twice.
  const bool doubled = refuses_clearing_ && was_just_cleared(now);
  const bool credible = !doubled && (refuses_for_now(code) || last_[round_.current_index()].data.empty());
  if (credible) static_cast<void>(debts_.answered(asking()));
  out.faults.push_back(
      make_fault(FaultKind::exception, fed_ - exception_length, refusal_text(asking().unit, asking().text(), code)));
  if (refuses_for_now(code) && tries_ <= retries_) {
    outstanding_ = false;
    begin_pause(now);
  } else {
    give_up(now, out);
  }
  return true;
}

/// A good frame that is not awaited: a late answer, which is then no longer on its way and counts where it can only be
/// the power, or another master's question, whose answer may come to us.
void Poller::note_stray(Duration now, Output& out) {
  for (const Request& request : round_.plan().requests()) {
    const std::size_t length = request.answer_length();
    if (!is_answer_to(tail(buffer_, length), request)) continue;
    const std::vector<std::byte> data(buffer_.end() - static_cast<std::ptrdiff_t>(length - 3), buffer_.end() - 2);
    const Request& main = round_.main_request();
    const bool late_main = same_shape(request, main) && debts_.count(main) > 0 && debts_.clear_for(main);
    const bool doubled = was_just_heard(data, request, now);
    // A doubled answer pays no debt.
    const bool owed = !doubled && debts_.answered(request);
    if (owed && late_main && !proving_ && !may_be_doubled(data, main, now)) {
      flush_stray(buffer_.size() - length, out.faults);
      buffer_.clear();
      round_.take_late(data, fed_ - length, now, out);
    }
    if (!owed && !doubled && distrust(now)) return;
    stray_ = {data, now};
    flush_stray(buffer_.size(), out.faults);
    const bool waited_for = phase_ == Phase::pausing && tries_ == 0 && !clearing_ && !held_;
    if (waited_for && debts_.clear_for(round_.current())) hold_until_ = now;
    return;
  }
  if (overheard_ && !may_become_answer()) note_question(now, out);
  const std::span<const std::byte> last = tail(buffer_, request_length);
  if (last.empty() || number(last[0]) != round_.plan().unit()) return;
  const FrameSearch found = frame_at(last, true);
  if (!found.frame || found.frame->kind != FrameKind::request) return;
  note_question(now, out);
  overheard_ = {found.frame->request, fed_ - request_length};
  if (!may_become_answer()) note_question(now, out);
}

/// A frame is what stands between two silences (Modbus over serial line V1.02, 2.5.1.1): a question that the awaited
/// answer may begin with is none until another byte than the answer's has come. Of answers of four bytes one in 65536
/// begins so, and a meter that shows its value shows nothing else for as long as the load stands still.
bool Poller::may_become_answer() const {
  const std::uint64_t from = overheard_->at_byte + buffer_.size() - fed_;
  if (!outstanding_ || from >= buffer_.size()) return false;
  const std::span<const std::byte> bytes = std::span<const std::byte>(buffer_).subspan(from);
  return bytes.size() < asking().answer_length() && begins_answer(bytes, asking());
}

void Poller::note_question(Duration now, Output& out) {
  if (!overheard_) return;
  debts_.asked(std::exchange(overheard_, std::nullopt)->question, now);
  const bool in_doubt = phase_ == Phase::waiting && !clearing_ && !debts_.clear_for(round_.current());
  if (in_doubt && tries_ <= retries_) next_request(now, out);
}

/// One late answer does not make a slow meter: what is usual follows slowly, and down more slowly than up.
void Poller::learn(Duration took) {
  if (usual_ == Duration{0}) usual_ = timeout_ / 4;
  usual_ += (took - usual_) / (took > usual_ ? 4 : 8);
  answer_timeout_ = std::clamp(usual_ * 3 / 2, timeout_, std::max(longest_answer_timeout, timeout_));
}

void Poller::flush_stray(std::size_t count, std::vector<Fault>& faults) {
  if (count == 0) return;
  report_stray(std::span<const std::byte>(buffer_).first(count), fed_ - buffer_.size(), round_.plan(), faults);
  buffer_.erase(buffer_.begin(), buffer_.begin() + static_cast<std::ptrdiff_t>(count));
}

}  // namespace nightwatt::drivers::modbus
