#include "sml/decoder.hpp"

#include <string>

#include "fault_text.hpp"
#include "sml/message.hpp"

namespace nightwatt::drivers::sml {

void FileStream::feed(std::span<const std::byte> bytes, Output& out) {
  transport_.feed(bytes, [&](const Piece& piece) { take(piece, out); });
}

void FileStream::finish(Output& out) {
  transport_.finish([&](const Piece& piece) { take(piece, out); });
}

void FileStream::take(const Piece& piece, Output& out) const {
  const auto fault = [&](FaultKind kind, std::string message) {
    out.faults.push_back(make_fault(kind, piece.at_byte, std::move(message)));
  };
  const std::string size = std::to_string(piece.size) + " bytes";
  switch (piece.kind) {
    case Piece::Kind::file:
      return take_file(piece, out);
    case Piece::Kind::checksum:
      return fault(FaultKind::checksum, "an SML file of " + size + " with a wrong check");
    case Piece::Kind::broken:
      return fault(FaultKind::malformed, "an SML file that breaks off after " + size);
    case Piece::Kind::too_long:
      return fault(FaultKind::malformed, "an SML file of more than " + std::to_string(file_limit) + " bytes");
    case Piece::Kind::noise:
      return fault(FaultKind::malformed, size + " that belong to no SML file");
  }
}

void FileStream::take_file(const Piece& piece, Output& out) const {
  const FileContent content = read_file(piece.payload, settings_.unsigned_power);
  if (!content.problem.empty()) {
    out.faults.push_back(make_fault(content.bad_check ? FaultKind::checksum : FaultKind::malformed, piece.at_byte,
                                    "an SML file with " + content.problem));
    return;
  }
  for (const obis::Code& code : content.too_large)
    if (plan_.wants(code))
      out.faults.push_back(
          make_fault(FaultKind::range, piece.at_byte, "the register " + obis::code_text(code) + " is out of range"));
  const Values values = plan_.take(content.registers, piece.at_byte, out.faults);
  if (!values.empty()) out.readings.push_back({values, piece.at_byte});
}

}  // namespace nightwatt::drivers::sml
