#include "iec62056/reader.hpp"

#include "fault_text.hpp"

namespace nightwatt::drivers::iec62056 {

bool BlockReader::read(const Frame& frame, std::optional<Duration> at, Output& out) {
  std::vector<Fault> of_values;
  const ReadOut read_out = take_apart(frame.text, plan_, frame.at_byte, of_values);
  has_blocks_ = has_blocks_ || frame.kind == FrameKind::block;
  if (frame.kind == FrameKind::unframed) {
    const auto refuse = [&](std::string what) {
      out.faults.push_back(make_fault(FaultKind::malformed, frame.at_byte, std::move(what)));
      return false;
    };
    if (has_blocks_) return refuse("a read-out that lost its check");
    if (!read_out.sound) return refuse("a read-out with a line that is no data: " + quoted(read_out.first_bad));
    if (!layout_.accepts(read_out.layout))
      return refuse("a read-out without a check has other lines or digits than the one before");
  }
  if (frame.parity_taken && !parity_told_) {
    parity_told_ = true;
    out.notes.emplace_back("the line gives each byte's parity as its eighth bit: it is checked and taken off here");
  }
  notification_errors(read_out, frame, out);
  if (!read_out.message.empty()) return true;
  const Values values = plan_.take(read_out.registers, frame.at_byte, of_values);
  out.faults.insert(out.faults.end(), of_values.begin(), of_values.end());
  if (!values.empty()) out.readings.push_back(Measurement{values, frame.at_byte, at});
  return true;
}

/// F.F stands in every read-out: told when it changes.
void BlockReader::notification_errors(const ReadOut& read_out, const Frame& frame, Output& out) {
  if (!read_out.message.empty())
    out.faults.push_back(make_fault(FaultKind::exception, frame.at_byte, "the meter says " + quoted(read_out.message)));
  if (!read_out.fatal.empty() && read_out.fatal != fatal_)
    out.faults.push_back(make_fault(FaultKind::exception, frame.at_byte,
                                    "the meter's register of fatal errors (F.F) says " + quoted(read_out.fatal)));
  fatal_ = read_out.fatal;
}

}  // namespace nightwatt::drivers::iec62056
