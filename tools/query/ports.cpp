#include "drivers/port.hpp"

#include <cstdlib>
#include <memory>

#include "context.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

std::string resolved(const std::string& path) {
  const std::unique_ptr<char, decltype(&std::free)> real(::realpath(path.c_str(), nullptr), &std::free);
  return real ? std::string(real.get()) : path;
}

bool serves(const config::MeterConfig& meter, const drivers::PortInfo& port) {
  if (!meter.usb) return resolved(meter.port) == resolved(port.path);
  return meter.usb->vendor == port.vendor && meter.usb->product == port.product &&
         (meter.usb->serial.empty() || meter.usb->serial == port.serial);
}

/// The configured meters a port serves. A configuration that cannot be read does not hide the ports.
std::string meters_of(const config::ServiceConfig* settings, const drivers::PortInfo& port) {
  std::string names;
  if (settings == nullptr) return names;
  for (const config::MeterConfig& meter : settings->meters)
    if (serves(meter, port)) names += (names.empty() ? "" : ", ") + meter.name;
  return names;
}

std::optional<std::string> maybe(const std::string& text) {
  return text.empty() ? std::nullopt : std::optional<std::string>(text);
}

void write_json(Context& context, const config::ServiceConfig* settings, const std::vector<drivers::PortInfo>& ports) {
  JsonWriter json(context.out);
  json.begin_document().key("ports").begin_array();
  for (const drivers::PortInfo& port : ports) {
    json.line_break().begin_object().field("path", port.path).field("by_id", maybe(port.by_id));
    json.field("vendor", maybe(port.vendor)).field("product", maybe(port.product)).field("serial", maybe(port.serial));
    json.field("description", maybe(port.description)).field("meter", maybe(meters_of(settings, port))).end_object();
  }
  json.end_array().end_object();
  context.out.write("\n");
}

void write_people(Context& context, const config::ServiceConfig* settings,
                  const std::vector<drivers::PortInfo>& ports) {
  Table table;
  for (const char* title : {"port", "meter", "USB", "serial", "what", "stable name"})
    table.column(title, Table::Align::left);
  for (const drivers::PortInfo& port : ports)
    table.row({{text::printable(port.path), Tone::strong},
               {text::printable(meters_of(settings, port)), Tone::green},
               {text::printable(port.vendor.empty() ? std::string() : port.vendor + ":" + port.product)},
               {text::printable(port.serial)},
               {text::printable(port.description)},
               {text::printable(port.by_id)}});
  table.write(context.out, context.style);
}

}  // namespace

Outcome run(Context& context, const PortsArguments&) {
  const auto settings = context.configuration();
  if (!settings) context.err.write("nightwatt: " + settings.error().message + "\n");
  const config::ServiceConfig* known = settings ? *settings : nullptr;
  const std::vector<drivers::PortInfo> ports = drivers::list_ports();
  if (context.json) write_json(context, known, ports);
  if (ports.empty())
    return fail(ErrorKind::negative,
                "no serial port is there; plug the meter's adapter in, and see dmesg if it does not show up");
  if (!context.json) write_people(context, known, ports);
  return 0;
}

}  // namespace nightwatt::query
