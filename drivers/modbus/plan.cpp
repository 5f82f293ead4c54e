#include "modbus/plan.hpp"

#include <algorithm>
#include <string>
#include <tuple>

#include "fault_text.hpp"
#include "modbus/register_value.hpp"

namespace nightwatt::drivers::modbus {

namespace {

constexpr std::size_t address_space = 65536;

/// Registers one read needs, before they are joined.
struct Span {
  int function;
  std::size_t begin;
  std::size_t end;
};

std::string named(const ReadSpec& read) {
  return std::string(quantity_name(read.quantity));
}

Result<Span> span_of(const std::string& protocol, const ReadSpec& read) {
  if (read.function != 3 && read.function != 4)
    return fail(ErrorKind::input, protocol + ": " + named(read) + ": function " + std::to_string(read.function) +
                                      " does not read registers; use 3 (holding) or 4 (input)");
  const std::size_t begin = read.register_address;
  const std::size_t end = begin + register_count(read.type);
  if (end > address_space)
    return fail(ErrorKind::input, protocol + ": " + named(read) + ": register " + std::to_string(begin) +
                                      " and its type reach beyond register 65535");
  return Span{read.function, begin, end};
}

/// Joins neighbours and overlaps of one function. A hole is not read over: many meters refuse a request that touches a
/// register they do not have.
std::vector<Request> joined(std::vector<Span> spans, int unit) {
  std::sort(spans.begin(), spans.end(), [](const Span& a, const Span& b) {
    return std::tie(a.function, a.begin, a.end) < std::tie(b.function, b.begin, b.end);
  });
  std::vector<Span> merged;
  for (const Span& next : spans) {
    if (!merged.empty()) {
      Span& last = merged.back();
      const std::size_t end = std::max(last.end, next.end);
      if (last.function == next.function && next.begin <= last.end && end - last.begin <= most_registers) {
        last.end = end;
        continue;
      }
    }
    merged.push_back(next);
  }
  std::vector<Request> requests;
  for (const Span& span : merged)
    requests.push_back(Request{unit, span.function, static_cast<std::uint16_t>(span.begin),
                               static_cast<std::uint16_t>(span.end - span.begin)});
  return requests;
}

bool contains(const Request& request, const ReadSpec& read) {
  const std::size_t end = std::size_t{read.register_address} + register_count(read.type);
  return request.function == read.function && read.register_address >= request.first &&
         end <= std::size_t{request.first} + request.count;
}

std::string who(int unit, const Plan& plan) {
  const std::string text = "unit " + std::to_string(unit);
  return unit == plan.unit() ? text : text + ", not of unit " + std::to_string(plan.unit()) + " as the profile says";
}

std::string describe(const Frame& frame, const Plan& plan) {
  switch (frame.kind) {
    case FrameKind::request:
      return "a request to unit " + std::to_string(frame.unit) + " from someone else on the line";
    case FrameKind::exception:
      return "a refusal that nobody waits for, of " + who(frame.unit, plan);
    case FrameKind::other:
      return "a frame of function " + std::to_string(frame.function) + ", which nobody asked for";
    case FrameKind::answer:
      break;
  }
  std::string text = "an answer of " + std::to_string(frame.data.size()) + " data bytes to function " +
                     std::to_string(frame.function) + " of " + who(frame.unit, plan);
  if (frame.unit == plan.unit()) text += ": late, doubled or to another request";
  return text;
}

/// The planned request whose answer begins here, if one does.
const Request* planned_at(std::span<const std::byte> bytes, const Plan& plan) {
  if (bytes.size() < 3) return nullptr;
  for (const Request& request : plan.requests())
    if (begins_answer(bytes, request)) return &request;
  return nullptr;
}

void report_noise(std::span<const std::byte> bytes, std::uint64_t at_byte, std::vector<Fault>& faults) {
  if (bytes.empty()) return;
  const bool turn_around =
      bytes.size() <= turn_around_limit &&
      std::all_of(bytes.begin(), bytes.end(), [](std::byte b) { return b == std::byte{0} || b == std::byte{0xFF}; });
  if (turn_around) return;
  faults.push_back(make_fault(FaultKind::malformed, at_byte,
                              std::to_string(bytes.size()) + (bytes.size() == 1 ? " byte that is" : " bytes that are") +
                                  " no frame: " + hex(bytes)));
}

}  // namespace

Result<Plan> Plan::make(const std::string& protocol, int unit, IntegerRange units, const std::vector<ReadSpec>& reads) {
  if (unit < units.least || unit > units.most)
    return fail(ErrorKind::input, protocol + ": unit " + std::to_string(unit) + " is not one meter; use " +
                                      std::to_string(units.least) + " to " + std::to_string(units.most));
  if (reads.empty()) return fail(ErrorKind::input, protocol + ": nothing to read; add a [[read]]");
  Plan plan;
  std::vector<Span> spans;
  std::uint32_t seen = 0;
  for (const ReadSpec& read : reads) {
    const std::uint32_t bit = 1U << static_cast<unsigned>(read.quantity);
    if ((seen & bit) != 0) return fail(ErrorKind::input, protocol + ": " + named(read) + " is read twice");
    seen |= bit;
    const Result<Span> span = span_of(protocol, read);
    if (!span) return tl::unexpected(span.error());
    spans.push_back(*span);
  }
  plan.unit_ = unit;
  plan.reads_ = reads;
  plan.requests_ = joined(std::move(spans), unit);
  return plan;
}

Plan::ReadMask Plan::reads_in(const Request& request) const {
  ReadMask mask = 0;
  for (std::size_t i = 0; i < reads_.size(); ++i)
    if (contains(request, reads_[i])) mask |= ReadMask{1} << i;
  return mask;
}

std::optional<std::size_t> Plan::request_with(Quantity quantity) const {
  for (std::size_t i = 0; i < requests_.size(); ++i)
    for (const ReadSpec& read : reads_)
      if (read.quantity == quantity && contains(requests_[i], read)) return i;
  return std::nullopt;
}

std::array<Request, 2> Plan::clearing_questions() const {
  std::vector<Request> chosen;
  const auto is_free = [&](int function, std::uint16_t count) {
    const auto has_it = [&](const Request& request) { return request.function == function && request.count == count; };
    return std::none_of(requests_.begin(), requests_.end(), has_it) &&
           std::none_of(chosen.begin(), chosen.end(), has_it);
  };
  for (const Request& request : requests_)
    for (std::uint16_t count = 1; count < request.count && chosen.size() < 2; ++count)
      if (is_free(request.function, count)) chosen.push_back({unit_, request.function, request.first, count});
  while (chosen.size() < 2) {
    Request beyond = requests_.front();
    while (!is_free(beyond.function, beyond.count)) ++beyond.count;
    if (std::size_t{beyond.first} + beyond.count > address_space)
      beyond.first = static_cast<std::uint16_t>(address_space - beyond.count);
    chosen.push_back(beyond);
  }
  return {chosen[0], chosen[1]};
}

std::array<Request, 2> Plan::clearing_questions_for_bits() const {
  const std::uint16_t first = requests_.front().first;
  return {Request{unit_, 2, first, 1}, Request{unit_, 1, first, 1}};
}

Plan::ReadMask Plan::take(const Request& request, std::span<const std::byte> data, std::uint64_t at_byte,
                          Values& values, std::vector<Fault>& faults) const {
  ReadMask mask = 0;
  for (std::size_t i = 0; i < reads_.size(); ++i) {
    const ReadSpec& read = reads_[i];
    if (!contains(request, read)) continue;
    mask |= ReadMask{1} << i;
    const std::size_t offset = std::size_t{2} * (std::size_t{read.register_address} - request.first);
    const std::span<const std::byte> bytes = data.subspan(offset, 2 * register_count(read.type));
    const RegisterValue value = decode_registers(bytes, read.type, read.order, read.scale);
    if (value.state == RegisterState::value) values.set(read.quantity, value.value);
    if (value.state == RegisterState::range)
      faults.push_back(make_fault(FaultKind::range, at_byte,
                                  named(read) + " in register " + std::to_string(read.register_address) +
                                      " is out of range: " + hex(bytes) + "; check type, order and scale"));
  }
  return mask;
}

void report_stray(std::span<const std::byte> bytes, std::uint64_t at_byte, const Plan& plan,
                  std::vector<Fault>& faults) {
  std::size_t noise_begin = 0;
  std::size_t at = 0;
  const auto end_noise = [&] {
    report_noise(bytes.subspan(noise_begin, at - noise_begin), at_byte + noise_begin, faults);
  };
  while (at < bytes.size()) {
    const std::span<const std::byte> rest = bytes.subspan(at);
    const FrameSearch found = frame_at(rest, true);
    const Request* planned = found.frame ? nullptr : planned_at(rest, plan);
    if (!found.frame && planned == nullptr) {
      ++at;
      continue;
    }
    end_noise();
    if (found.frame) {
      faults.push_back(make_fault(FaultKind::mismatch, at_byte + at, describe(*found.frame, plan)));
      at += found.frame->length;
    } else if (rest.size() < planned->answer_length()) {
      faults.push_back(make_fault(FaultKind::malformed, at_byte + at,
                                  std::string(cut_answer_text) + ": " + std::to_string(rest.size()) + " of " +
                                      std::to_string(planned->answer_length()) + " bytes"));
      at = bytes.size();
    } else {
      faults.push_back(
          make_fault(FaultKind::checksum, at_byte + at, "an answer to " + planned->text() + " whose check is wrong"));
      at += planned->answer_length();
    }
    noise_begin = at;
  }
  end_noise();
}

}  // namespace nightwatt::drivers::modbus
