// The service's settings and meter profiles, from TOML. Unknown keys are errors with file and line.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/meter_profile.hpp"
#include "measure/signal/profile_table.hpp"
#include "measure/signal/result.hpp"

namespace nightwatt::config {

struct UsbIdentity {
  std::string vendor;  ///< four hex digits, lower case
  std::string product;
  std::string serial;  ///< may be empty: any
  friend bool operator==(const UsbIdentity&, const UsbIdentity&) = default;
};

struct MeterConfig {
  std::string name;
  std::string port;  ///< path; empty where `usb` is given
  std::optional<UsbIdentity> usb;
  MeterProfile profile;
  std::string profile_file;  ///< where it was read
  bool auto_runs = true;
  bool auto_name = false;  ///< a run that ends without a name gets that of the device it is known to be
  double auto_end_s = 300.0;
  double shortest_segment_s = 20.0;
  friend bool operator==(const MeterConfig&, const MeterConfig&) = default;
};

/// What may be told at night.
enum class NotificationKind : std::uint8_t {
  silent,
  back,
  disk_full,
  disk_room,
  run_ended,
  level_moved,
  store_damaged
};
inline constexpr std::size_t notification_kinds = 7;
/// The event's name in the config and to whoever is told.
[[nodiscard]] std::string_view notification_kind_name(NotificationKind kind);

/// Where an http:// address points.
struct WebAddress {
  std::string host;  ///< a name or an address, without brackets
  std::uint16_t port = 80;
  std::string target = "/";
  friend bool operator==(const WebAddress&, const WebAddress&) = default;
};

/// Who is told of which events: a program or a web address, exactly one of the two.
struct NotificationConfig {
  std::array<bool, notification_kinds> events{};  ///< by NotificationKind
  std::vector<std::string> command;               ///< program and arguments, never seen by a shell
  std::optional<WebAddress> webhook;
  double silent_s = 300.0;  ///< a meter without a reading for so long is silent
  double timeout_s = 10.0;  ///< for one try
  int tries = 8;            ///< in all, with growing pauses between them
  friend bool operator==(const NotificationConfig&, const NotificationConfig&) = default;
};

struct StoreConfig {
  std::string path = "/var/lib/nightwatt/nightwatt.db";
  std::optional<double> keep_raw_days;
  std::optional<double> max_size_mb;
  double flush_s = 1.0;
};

/// The status page; off without an address.
struct PageConfig {
  std::string address;  ///< numeric, IPv4 or IPv6 without brackets; empty: no page
  std::uint16_t port = 0;
  std::string token;       ///< empty: none here
  std::string token_file;  ///< path; empty: none
  [[nodiscard]] bool on() const { return !address.empty(); }
  [[nodiscard]] bool wants_token() const { return !token.empty() || !token_file.empty(); }
  friend bool operator==(const PageConfig&, const PageConfig&) = default;
};

/// All of the record in a PostgreSQL database as well; off without a database.
struct MirrorConfig {
  std::string database;  ///< a connection string of libpq
  std::string rig;       ///< this store's name in it
  [[nodiscard]] bool on() const { return !database.empty(); }
  friend bool operator==(const MirrorConfig&, const MirrorConfig&) = default;
};

/// Readings and ends of runs to an MQTT broker; off without a host.
struct PublishConfig {
  std::string host;
  int port = 1883;
  bool tls = false;
  std::string ca_file;  ///< path; empty: the system's certificates
  std::string user;
  std::string password_file;  ///< path; empty: none
  int version = 4;            ///< 4 is MQTT 3.1.1, 5 is 5
  std::string topic = "nightwatt/{rig}/{meter}";
  std::string rig;
  [[nodiscard]] bool on() const { return !host.empty(); }
  friend bool operator==(const PublishConfig&, const PublishConfig&) = default;
};

struct ServiceConfig {
  std::string file;                   ///< where it was read
  std::vector<std::string> warnings;  ///< what is no fault but should not stay: secrets open to all; `file:line: what`
  StoreConfig store;
  std::string control_socket = "/run/nightwatt/control.sock";
  PageConfig page;
  MirrorConfig mirror;
  PublishConfig publish;
  std::vector<MeterConfig> meters;
  std::vector<NotificationConfig> tells;
};

/// Reads and validates the file and what lies in `conf.d` beside it, with the protocols that profiles may name;
/// relative paths become relative to the file that names them. The first thing wrong, as `file:line: what; what to do`,
/// ErrorKind::input.
/// `with`: as if that file, a draft `NAME.toml.WORD`, lay in `conf.d` as `NAME.toml`, the last.
[[nodiscard]] Result<ServiceConfig> load_config(const std::string& file, ProtocolReaders protocols,
                                                const std::string& with = {});
/// All that is wrong, for --check; what the service only warns of is wrong here.
[[nodiscard]] std::vector<Error> check_config(const std::string& file, ProtocolReaders protocols);
/// The page's token, from the config or its file; empty where none is wanted. A file is refused that others than its
/// owner and group may read or change. ErrorKind::input, one line.
[[nodiscard]] Result<std::string> page_token(const PageConfig& page);
/// The broker's password from its file; empty where there is none. As with the token's.
[[nodiscard]] Result<std::string> publish_password(const PublishConfig& publish);
/// Whether only programs of this machine reach the address.
[[nodiscard]] bool is_loopback(const std::string& address);
/// --config, else $NIGHTWATT_CONFIG, else /etc/nightwatt/nightwatt.toml.
[[nodiscard]] std::string config_path(const std::optional<std::string>& from_option);
/// A file, or the name of an installed profile: a bare word is looked for as a file of `relative_to` (a folder; "" is
/// the current one), then as WORD.toml in $NIGHTWATT_PROFILES, then in the folder profiles are installed to.
[[nodiscard]] Result<MeterProfile> load_profile(const std::string& file_or_name, const std::string& relative_to,
                                                ProtocolReaders protocols);

}  // namespace nightwatt::config
