#include "publish_parser.hpp"

#include <unistd.h>

#include <algorithm>
#include <array>
#include <charconv>
#include <optional>
#include <string_view>

#include "secret_file.hpp"

namespace nightwatt::config {
namespace {

constexpr std::size_t address_limit = 320;    // a host of 253 bytes, its scheme and its port
constexpr std::size_t topic_limit = 1024;     // MQTT allows 65,535 bytes; nobody reads as many
constexpr std::size_t user_limit = 256;       // common practice, no source
constexpr std::size_t password_limit = 1024;  // the same
constexpr std::size_t path_limit = 4095;      // PATH_MAX less its end
constexpr std::size_t rig_limit = 64;
constexpr int plain_port = 1883, tls_port = 8883;  // registered with IANA as mqtt and secure-mqtt
constexpr std::string_view example = "broker = \"mqtt://127.0.0.1:1883\", or mqtts:// for TLS";

bool take(std::string_view& text, std::string_view beginning) {
  if (text.substr(0, beginning.size()) != beginning) return false;
  text.remove_prefix(beginning.size());
  return true;
}

/// `mqtt://HOST[:PORT]`, an IPv6 address in brackets.
bool parse_broker(std::string_view text, PublishConfig& publish) {
  publish.tls = take(text, "mqtts://");
  if (!publish.tls && !take(text, "mqtt://")) return false;
  publish.port = publish.tls ? tls_port : plain_port;
  if (!text.empty() && text.back() == '/') text.remove_suffix(1);
  std::string_view port;
  if (take(text, "[")) {
    const std::size_t end = text.find(']');
    if (end == std::string_view::npos) return false;
    publish.host = text.substr(0, end);
    port = text.substr(end + 1);
  } else {
    const std::size_t colon = std::min(text.find(':'), text.size());
    publish.host = text.substr(0, colon);
    port = text.substr(colon);
  }
  const bool odd = std::any_of(publish.host.begin(), publish.host.end(),
                               [](char c) { return c <= ' ' || c > '~' || c == '/' || c == '@'; });
  if (publish.host.empty() || odd) return false;
  if (port.empty()) return true;
  constexpr int highest_port = 65'535;
  const auto [end, problem] = std::from_chars(port.data() + 1, port.data() + port.size(), publish.port);
  return port[0] == ':' && problem == std::errc() && end == port.data() + port.size() && publish.port > 0 &&
         publish.port <= highest_port;
}

std::string name_of_machine() {
  std::array<char, rig_limit + 1> name{};
  return ::gethostname(name.data(), name.size() - 1) == 0 ? name.data() : "rig";
}

}  // namespace

PublishConfig parse_publish(CheckedTable table, const std::string& rig) {
  PublishConfig publish;
  if (!table.has("broker")) table.need("broker", "write " + std::string(example) + ", or take [publish] out");
  if (const auto text = table.text("broker", address_limit); text && !parse_broker(*text, publish))
    table.problem("broker", "\"broker\" is " + in_quotes(*text), "write " + std::string(example));
  if (const auto text = table.text("topic", topic_limit)) publish.topic = *text;
  if (publish.topic.find("{meter}") == std::string::npos || publish.topic.find_first_of("+#") != std::string::npos)
    table.problem("topic", "the topic must hold {meter} and neither + nor #",
                  "write topic = \"nightwatt/{rig}/{meter}\"");
  publish.rig = table.text("rig", rig_limit).value_or(rig.empty() ? name_of_machine() : rig);
  publish.user = table.text("user", user_limit).value_or("");
  publish.password_file = table.path("password_file", path_limit).value_or("");
  publish.ca_file = table.path("ca_file", path_limit).value_or("");
  constexpr int version_of_3_1_1 = 4, version_of_5 = 5;  // as the protocol itself counts
  if (const auto word = table.word("version", {"3.1.1", "5"}))
    publish.version = *word == 0 ? version_of_3_1_1 : version_of_5;
  if (!publish.password_file.empty() && publish.user.empty())
    table.problem("password_file", "a password without a user", "add user = \"NAME\"");
  if (!publish.ca_file.empty() && !publish.tls)
    table.problem("ca_file", "certificates are for mqtts:// alone", "write broker = \"mqtts://...\"");
  table.finish();
  return publish;
}

Result<std::string> publish_password(const PublishConfig& publish) {
  if (publish.password_file.empty()) return std::string();
  auto password = read_secret_file("password file", publish.password_file, password_limit);
  if (password && (password->empty() || password->size() > password_limit))
    return refuse_secret_file("password file", publish.password_file, "holds no password, or too long a one");
  return password;
}

}  // namespace nightwatt::config
