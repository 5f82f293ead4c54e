#include "port/port_list.hpp"

#include <libserialport.h>

#include <algorithm>
#include <array>
#include <cstdio>
#include <filesystem>
#include <memory>

#include "drivers/port.hpp"

namespace nightwatt::drivers {

namespace {

constexpr const char* by_id_folder = "/dev/serial/by-id";

std::string text_or_empty(const char* text) {
  return text == nullptr ? std::string() : std::string(text);
}

std::string four_hex_digits(int number) {
  std::array<char, 16> text{};
  std::snprintf(text.data(), text.size(), "%04x", static_cast<unsigned>(number) & 0xFFFFU);
  return text.data();
}

PortInfo info_of(const sp_port* port, const std::map<std::string, std::string>& links) {
  PortInfo info;
  info.path = text_or_empty(sp_get_port_name(port));
  if (const auto link = links.find(info.path); link != links.end()) info.by_id = link->second;
  info.description = text_or_empty(sp_get_port_description(port));
  if (sp_get_port_transport(port) != SP_TRANSPORT_USB) return info;
  int vendor = 0;
  int product = 0;
  if (sp_get_port_usb_vid_pid(port, &vendor, &product) == SP_OK) {
    info.vendor = four_hex_digits(vendor);
    info.product = four_hex_digits(product);
  }
  info.serial = text_or_empty(sp_get_port_usb_serial(port));
  return info;
}

std::string lower(std::string text) {
  std::transform(text.begin(), text.end(), text.begin(),
                 [](char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c; });
  return text;
}

bool fits(const PortInfo& port, const UsbPort& wanted) {
  return !port.vendor.empty() && port.vendor == lower(wanted.vendor) && port.product == lower(wanted.product) &&
         (wanted.serial.empty() || port.serial == wanted.serial);
}

}  // namespace

std::map<std::string, std::string> links_by_device(const std::string& folder) {
  std::map<std::string, std::string> links;
  std::error_code error;
  for (std::filesystem::directory_iterator entry(folder, error), end; !error && entry != end; entry.increment(error)) {
    std::error_code unresolved;
    const std::filesystem::path device = std::filesystem::canonical(entry->path(), unresolved);
    if (unresolved) continue;
    std::string& link = links[device.string()];
    if (link.empty() || entry->path().string() < link) link = entry->path().string();
  }
  return links;
}

std::vector<PortInfo> list_ports() {
  sp_port** list = nullptr;
  if (sp_list_ports(&list) != SP_OK) return {};
  const std::unique_ptr<sp_port*, decltype(&sp_free_port_list)> owner(list, &sp_free_port_list);
  const std::map<std::string, std::string> links = links_by_device(by_id_folder);
  std::vector<PortInfo> ports;
  for (sp_port** port = list; *port != nullptr; ++port) ports.push_back(info_of(*port, links));
  std::sort(ports.begin(), ports.end(), [](const PortInfo& a, const PortInfo& b) {
    // ttyUSB2 before ttyUSB10
    return std::make_pair(a.path.size(), a.path) < std::make_pair(b.path.size(), b.path);
  });
  return ports;
}

PortResult<std::string> find_port(const UsbPort& wanted) {
  return find_port(wanted, list_ports());
}

PortResult<std::string> find_port(const UsbPort& wanted, const std::vector<PortInfo>& ports) {
  const std::string name = "USB " + lower(wanted.vendor) + ":" + lower(wanted.product) +
                           (wanted.serial.empty() ? "" : " serial " + wanted.serial);
  const PortInfo* found = nullptr;
  for (const PortInfo& port : ports) {
    if (!fits(port, wanted)) continue;
    if (found != nullptr)
      return tl::unexpected(PortError{
          PortProblem::ambiguous,
          name + ": " + found->path + " and " + port.path + " both fit; give the serial number or a by-path link"});
    found = &port;
  }
  if (found == nullptr)
    return tl::unexpected(PortError{PortProblem::missing, name + ": no such adapter; is it plugged in?"});
  return found->by_id.empty() ? found->path : found->by_id;
}

}  // namespace nightwatt::drivers
