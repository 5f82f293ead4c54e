// What to ask a Modbus meter, and what its answers mean. Meaning only; no frame, no time.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/decoder.hpp"
#include "measure/signal/meter_profile.hpp"
#include "measure/signal/profile_table.hpp"
#include "measure/signal/result.hpp"
#include "modbus/frame.hpp"

namespace nightwatt::drivers::modbus {

/// The requests of one reading, in the order they are asked, and the values in them. Made once from a profile; at most
/// one read a quantity, so at most quantity_count reads and requests.
class Plan {
 public:
  /// A bit a read, in the profile's order.
  using ReadMask = std::uint32_t;

  /// `protocol` is for messages; `units` are those it has.
  [[nodiscard]] static Result<Plan> make(const std::string& protocol, int unit, IntegerRange units,
                                         const std::vector<ReadSpec>& reads);

  [[nodiscard]] int unit() const { return unit_; }
  [[nodiscard]] const std::vector<Request>& requests() const { return requests_; }
  [[nodiscard]] ReadMask all_reads() const { return (ReadMask{1} << reads_.size()) - 1; }
  /// The reads whose registers all lie in the request.
  [[nodiscard]] ReadMask reads_in(const Request& request) const;

  /// The request that has a quantity, as its place in requests().
  [[nodiscard]] std::optional<std::size_t> request_with(Quantity quantity) const;
  /// Two questions whose answers, or refusals, cannot be mistaken for those of any request of the plan, nor for one
  /// another: when one's came, nothing asked before is on its way any more, for a meter answers in the order it was
  /// asked. Made of registers of the plan where they allow it; else they reach beyond, and a refusal tells as much.
  [[nodiscard]] std::array<Request, 2> clearing_questions() const;
  /// Two more, for a meter that refuses those: a refusal says its function and no more, and no other question has
  /// theirs. They read one discrete input and one coil, which a meter of registers refuses.
  [[nodiscard]] std::array<Request, 2> clearing_questions_for_bits() const;

  /// Puts the values of an answer into `values`; a "no value" of the meter leaves its quantity out, a number out of
  /// range is a fault. `data` are the registers of `request`. Returns reads_in(request).
  ReadMask take(const Request& request, std::span<const std::byte> data, std::uint64_t at_byte, Values& values,
                std::vector<Fault>& faults) const;

 private:
  int unit_ = 1;
  std::vector<ReadSpec> reads_;
  std::vector<Request> requests_;
};

/// Says what bytes that were no awaited answer are: good frames of others, answers with a bad check or cut short,
/// noise. Up to `turn_around_limit` bytes of 00 and FF are what a two-wire line makes when it turns round, and no
/// fault.
void report_stray(std::span<const std::byte> bytes, std::uint64_t at_byte, const Plan& plan,
                  std::vector<Fault>& faults);

inline constexpr std::size_t turn_around_limit = 4;
/// How the message of a fault for a cut answer begins.
inline constexpr std::string_view cut_answer_text = "an answer cut short";

}  // namespace nightwatt::drivers::modbus
