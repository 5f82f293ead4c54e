#include <unistd.h>

#include <array>
#include <cstring>

#include "capture_file.hpp"
#include "config/config.hpp"
#include "context.hpp"
#include "drivers/decoder.hpp"
#include "drivers/protocols.hpp"
#include "file.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

constexpr std::size_t chunk_bytes = std::size_t{64} * 1024;

/// Prints what a decoder gave, and counts.
class Printer {
 public:
  Printer(Context& context, std::string file) : context_(context), file_(std::move(file)) {}

  void print(drivers::Output& output) {
    for (const drivers::Measurement& reading : output.readings) context_.json ? as_json(reading) : as_text(reading);
    for (const drivers::Fault& fault : output.faults)
      context_.err.write(file_ + ": byte " + std::to_string(fault.at_byte) + ": " +
                         std::string(fault_kind_name(fault.kind)) + ": " + text::printable(fault.message) + "\n");
    for (const std::string& note : output.notes) context_.err.write(file_ + ": " + text::printable(note) + "\n");
    readings_ += output.readings.size();
    faults_ += output.faults.size();
    output = {};
  }

  int finish() {
    context_.out.flush();
    context_.err.write(std::to_string(readings_) + (readings_ == 1 ? " reading, " : " readings, ") +
                       std::to_string(faults_) + (faults_ == 1 ? " fault\n" : " faults\n"));
    return faults_ > 0 || readings_ == 0 ? 1 : 0;
  }

 private:
  void as_json(const drivers::Measurement& reading) {
    JsonWriter json(context_.out);
    json.begin_object().field("at_byte", static_cast<std::int64_t>(reading.at_byte));
    for (const Quantity quantity : all_quantities)
      if (const auto value = reading.values.get(quantity)) json.field(quantity_column(quantity), *value);
    json.end_object();
    context_.out.write("\n");
  }

  void as_text(const drivers::Measurement& reading) {
    std::string line = "byte " + std::to_string(reading.at_byte) + ":";
    for (const Quantity quantity : all_quantities)
      if (const auto value = reading.values.get(quantity))
        line += "  " + std::string(quantity_column(quantity)) + " " + value->text();
    context_.out.write(line + "\n");
  }

  Context& context_;
  std::string file_;
  std::size_t readings_ = 0;
  std::size_t faults_ = 0;
};

}  // namespace

Outcome run(Context& context, const DecodeArguments& arguments) {
  const auto profile = config::load_profile(arguments.profile, ".", drivers::protocol_readers());
  if (!profile) return tl::unexpected(profile.error());
  auto decoder = drivers::make_capture_decoder(*profile);
  if (!decoder) return tl::unexpected(decoder.error());
  const auto file = File::open(arguments.file);
  if (!file) return tl::unexpected(file.error());
  Printer printer(context, text::printable(arguments.file));
  drivers::Output output;
  std::vector<char> chunk(chunk_bytes);
  CaptureReader reader;
  for (bool last = false; !last;) {
    const auto got = file->read(chunk);
    if (!got) return tl::unexpected(got.error());
    last = *got == 0;
    const auto bytes = last ? reader.finish() : reader.feed(std::span(chunk.data(), *got));
    if (!bytes) return fail(bytes.error().kind, text::printable(arguments.file) + ":" + bytes.error().message);
    (*decoder)->feed(*bytes, output);
    printer.print(output);
  }
  (*decoder)->finish(output);
  printer.print(output);
  return printer.finish();
}

}  // namespace nightwatt::query
