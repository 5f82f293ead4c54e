// The words of a request that we read ourselves: path, query, cookies, host. Everything in them is hostile.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace nightwatt::daemon::page {

struct Target {
  std::string path;                  ///< from the first slash, as it was sent; never decoded
  std::optional<std::string> token;  ///< of the query
  std::optional<std::uint64_t> stream;
};
/// `/path?token=T&stream=N`: other keys are passed over, of equal ones the first counts. nullopt where it is no origin
/// form (RFC 9112 3.2.1), too long, or its escapes are broken.
[[nodiscard]] std::optional<Target> parse_target(std::string_view text);

/// A cookie's value (RFC 6265 4.2.1), the first of that name.
[[nodiscard]] std::optional<std::string_view> cookie_value(std::string_view header, std::string_view name);

/// The token of `Bearer TOKEN` (RFC 6750 2.1).
[[nodiscard]] std::optional<std::string_view> bearer_token(std::string_view header);

/// Whether a Host header names this machine by its loopback: `localhost`, 127.x.x.x or [::1], with any port, since the
/// page may be reached through a tunnel. Another name means that a stranger's page had its own name point here.
[[nodiscard]] bool names_loopback(std::string_view host);

/// `/runs/12`: 12.
[[nodiscard]] std::optional<std::int64_t> run_of_path(std::string_view path);

}  // namespace nightwatt::daemon::page
