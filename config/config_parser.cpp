#include "config_parser.hpp"

#include <algorithm>
#include <cctype>
#include <filesystem>

#include "checked_table.hpp"
#include "page_parser.hpp"
#include "publish_parser.hpp"
#include "tell_parser.hpp"

namespace nightwatt::config {

namespace {

constexpr std::size_t path_limit = 4095;        // PATH_MAX less its end
constexpr std::size_t socket_path_limit = 107;  // sun_path less its end, unix(7)
constexpr double most_days = 36525.0;           // a century
constexpr double most_mb = 1e7;                 // 10 TB: beyond SQLite's sense
constexpr double longest_flush_s = 3600.0;
constexpr double longest_auto_end_s = 7.0 * 86400.0;
constexpr double longest_segment_s = 86400.0;
constexpr std::size_t connection_limit = 4096;  // a dozen words with a path each
constexpr std::size_t usb_serial_limit = 126;   // USB 2.0, 9.6.7: a string descriptor holds 126 UTF-16 units

void parse_store(CheckedTable table, StoreConfig& store) {
  if (const auto path = table.path("path", path_limit)) store.path = *path;
  store.keep_raw_days = table.number("keep_raw_days", {0.0, most_days, true});
  store.max_size_mb = table.number("max_size_mb", {1.0, most_mb});
  if (const auto flush_s = table.number("flush_s", {0.0, longest_flush_s, true})) store.flush_s = *flush_s;
  table.finish();
}

void parse_control(CheckedTable table, std::string& socket) {
  if (const auto path = table.path("socket", path_limit)) {
    socket = *path;
    if (socket.size() > socket_path_limit)
      table.problem("socket",
                    "the socket's path has " + std::to_string(socket.size()) + " bytes, a socket's may have 107",
                    "choose a shorter path");
  }
  table.finish();
}

MirrorConfig parse_mirror(CheckedTable table) {
  MirrorConfig mirror;
  if (!table.has("database"))
    table.need("database", "write database = \"host=lab.example dbname=rigs\", or take [mirror] out");
  if (!table.has("rig")) table.need("rig", "name this rig, such as rig = \"north-hut\"");
  if (const auto text = table.text("database", connection_limit)) mirror.database = *text;
  // libpq has places of its own for passwords; one that stands here all the same is a secret.
  if (mirror.database.find("password") != std::string::npos) (void)table.secret("database", connection_limit);
  if (const auto text = table.text("rig", meter_name_limit)) mirror.rig = *text;
  table.finish();
  return mirror;
}

std::optional<std::string> parse_usb_id(CheckedTable& table, std::string_view key) {
  if (!table.has(key)) {
    table.need(key, "write the four hex digits that `nightwatt ports` shows");
    return std::nullopt;
  }
  auto text = table.text(key, usb_serial_limit);
  if (!text) return std::nullopt;
  const auto is_hex = [](unsigned char c) { return std::isxdigit(c) != 0; };
  if (text->size() != 4 || !std::all_of(text->begin(), text->end(), is_hex)) {
    table.problem(key, in_quotes(key) + " is " + in_quotes(*text), "write four hex digits, such as \"1a2b\"");
    return std::nullopt;
  }
  std::transform(text->begin(), text->end(), text->begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return text;
}

UsbIdentity parse_usb(CheckedTable table) {
  UsbIdentity usb;
  usb.vendor = parse_usb_id(table, "vendor").value_or("");
  usb.product = parse_usb_id(table, "product").value_or("");
  usb.serial = table.text("serial", usb_serial_limit).value_or("");
  table.finish();
  return usb;
}

void parse_profile_key(CheckedTable& table, const ProfileSource& profiles, Problems& problems, MeterConfig& meter) {
  if (!table.has("profile")) {
    table.need("profile", "name a profile file, or an installed profile");
    return;
  }
  const auto name = table.text("profile", path_limit);
  if (!name) return;
  ProfileOutcome outcome = profiles(*name, problems.folder_of(table.line_of("profile")));
  meter.profile_file = outcome.file;
  if (outcome.profile) meter.profile = std::move(*outcome.profile);
  if (!outcome.not_found.empty())
    table.problem("profile", "no profile " + in_quotes(*name) + ": looked for " + outcome.not_found,
                  "correct the name or write the file");
  for (Error& error : outcome.errors) problems.add(table.line_of("profile"), std::move(error));
}

/// "tcp://HOST:PORT"; what HOST is, is for the connection to find out.
std::string checked_address(CheckedTable& table, const std::string& port) {
  const std::size_t colon = port.rfind(':');
  const std::string digits = port.substr(colon + 1);
  constexpr std::size_t scheme = 6;
  const bool good = colon > scheme && !digits.empty() && digits.size() <= 5 &&
                    digits.find_first_not_of("0123456789") == std::string::npos && std::stoi(digits) >= 1 &&
                    std::stoi(digits) <= 65535;
  if (!good)
    table.problem("port", "\"port\" is " + in_quotes(port),
                  "write it as \"tcp://HOST:PORT\", the port from 1 to 65535");
  return port;
}

MeterConfig parse_meter(CheckedTable& table, const ProfileSource& profiles, Problems& problems) {
  MeterConfig meter;
  if (auto name = table.text("name", meter_name_limit))
    meter.name = std::move(*name);
  else if (!table.has("name"))
    table.need("name", "give the meter a name, such as name = \"bench\"");

  // A port on the network is no path.
  if (const auto port = table.text("port", path_limit); port && port->starts_with("tcp://"))
    meter.port = checked_address(table, *port);
  else if (const auto path = table.path("port", path_limit))
    meter.port = *path;
  if (auto usb = table.table("usb", "usb = { vendor = \"1a2b\", product = \"3c4d\" }"))
    meter.usb = parse_usb(std::move(*usb));
  if (table.has("port") && table.has("usb"))
    table.problem("usb", "the meter has both a port and a usb identity", "keep one of the two");
  else if (!table.has("port") && !table.has("usb"))
    table.need("port",
               "write port = \"/dev/serial/by-id/...\" or usb = { vendor, product }; `nightwatt ports` lists them");

  parse_profile_key(table, profiles, problems, meter);
  if (const auto flag = table.flag("auto_runs")) meter.auto_runs = *flag;
  if (const auto flag = table.flag("auto_name")) meter.auto_name = *flag;
  if (const auto s = table.number("auto_end_s", {0.0, longest_auto_end_s, true})) meter.auto_end_s = *s;
  if (const auto s = table.number("shortest_segment_s", {0.0, longest_segment_s, true})) meter.shortest_segment_s = *s;
  table.finish();
  return meter;
}

/// A by-id link and the device it points at are one port.
std::string resolved(const std::string& port) {
  std::error_code ignored;
  const auto path = std::filesystem::weakly_canonical(port, ignored);
  return path.empty() ? port : path.string();
}

bool may_be_one_port(const MeterConfig& a, const MeterConfig& b) {
  if (a.usb && b.usb)
    return a.usb->vendor == b.usb->vendor && a.usb->product == b.usb->product &&
           (a.usb->serial == b.usb->serial || a.usb->serial.empty() || b.usb->serial.empty());
  return !a.port.empty() && !b.port.empty() && resolved(a.port) == resolved(b.port);
}

void check_against_earlier(CheckedTable& table, const MeterConfig& meter, const std::vector<MeterConfig>& earlier,
                           const std::vector<int>& lines, const Problems& problems) {
  for (std::size_t i = 0; i < earlier.size(); ++i) {
    const std::string there = " of " + problems.place_seen_from(lines[i], table.line());
    if (!meter.name.empty() && meter.name == earlier[i].name)
      table.problem("name", "the meter" + there + " is called " + in_quotes(meter.name) + " too",
                    "give each its own name");
    if (may_be_one_port(meter, earlier[i]))
      table.problem(meter.usb ? "usb" : "port", "the meter" + there + " is on this port too",
                    meter.usb ? "give each its own, with the serial number" : "give each meter its own port");
  }
}

}  // namespace

std::optional<ServiceConfig> parse_config(const Node& root_node, const ProfileSource& profiles, Problems& problems) {
  CheckedTable root(root_node, "the top of the file", problems);
  ServiceConfig config;
  if (auto table = root.table("store", "[store]")) parse_store(std::move(*table), config.store);
  if (auto table = root.table("control", "[control]")) parse_control(std::move(*table), config.control_socket);
  if (auto table = root.table("page", "[page]")) config.page = parse_page(std::move(*table));

  if (auto table = root.table("mirror", "[mirror]")) config.mirror = parse_mirror(std::move(*table));
  if (auto table = root.table("publish", "[publish]"))
    config.publish = parse_publish(std::move(*table), config.mirror.rig);

  std::vector<int> lines;
  for (CheckedTable& table : root.tables("meter", "[[meter]]")) {
    if (config.meters.size() == meter_limit) {
      problems.add(table.line(), "more than " + std::to_string(meter_limit) + " meters",
                   "use a second service for the rest");
      break;
    }
    MeterConfig meter = parse_meter(table, profiles, problems);
    check_against_earlier(table, meter, config.meters, lines, problems);
    lines.push_back(table.line());
    config.meters.push_back(std::move(meter));
  }
  for (CheckedTable& table : root.tables("tell", "[[tell]]")) {
    if (config.tells.size() == notification_limit) {
      problems.add(table.line(), "more than " + std::to_string(notification_limit) + " [[tell]]",
                   "have one program tell the others");
      break;
    }
    config.tells.push_back(parse_tell(table));
  }
  root.finish();

  if (!problems.empty()) return std::nullopt;
  return config;
}

}  // namespace nightwatt::config
