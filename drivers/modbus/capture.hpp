// Reads a captured Modbus RTU line: requests, answers and what went wrong.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "drivers/decoder.hpp"
#include "modbus/plan.hpp"

namespace nightwatt::drivers::modbus {

/// The capture side of modbus-rtu. A reading is complete when every value of the profile was answered since the answer
/// with the first planned request's values; a fault in between gives the reading up, so that no reading mixes two
/// rounds.
///
/// Where the capture has requests, they say which registers an answer is of, also when another master asked in other
/// pieces. Where it has none, the answer is told by function and length, and of equal ones by the order of the plan.
class Capture final : public CaptureDecoder {
 public:
  explicit Capture(Plan plan);
  void feed(std::span<const std::byte> bytes, Output& out) override;
  void finish(Output& out) override;

 private:
  void parse(bool at_end, Output& out);
  void end_stray(std::size_t begin, std::size_t end, std::vector<Fault>& faults);
  void on_frame(const Frame& frame, std::uint64_t at_byte, Output& out);
  void on_request(const Frame& frame, std::uint64_t at_byte, Output& out);
  void on_answer(const Frame& frame, std::uint64_t at_byte, Output& out);
  void on_exception(const Frame& frame, std::uint64_t at_byte, Output& out);
  void collect(const Request& request, const Frame& frame, std::uint64_t at_byte, Output& out);
  [[nodiscard]] const Request* planned_for(const Frame& answer) const;
  void give_up();

  Plan plan_;
  std::vector<std::byte> buffer_;
  std::uint64_t buffer_at_ = 0;     ///< offset of the buffer's first byte
  std::size_t scanned_ = 0;         ///< stray bytes at the front of the buffer, known to begin no frame
  bool has_requests_ = false;       ///< the capture has seen one for our unit
  std::optional<Request> pending_;  ///< asked and not answered yet
  std::uint64_t pending_at_ = 0;
  Plan::ReadMask have_ = 0;  ///< reads answered in this round
  Values values_;
  std::uint64_t reading_at_ = 0;
};

}  // namespace nightwatt::drivers::modbus
