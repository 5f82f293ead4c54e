// Lets a request in or says why not: method, body, host, token. No socket, no clock.
#pragma once

#include <string>
#include <utility>
#include <variant>
#include <vector>

#include "access.hpp"
#include "measure/signal/time.hpp"
#include "target.hpp"

namespace nightwatt::daemon::page {

/// The words of a request's header that matter here.
struct Request {
  std::string method;
  std::string target;
  std::string host;
  std::string cookie;
  std::string authorization;
  std::string accept;
  std::string peer;             ///< address
  std::size_t hosts = 1;        ///< Host header fields
  bool has_body = false;        ///< or may have one: its length is anybody's guess
  bool length_unclear = false;  ///< a transfer coding whose end nobody can tell
  bool keep_alive = true;
};

struct Answer {
  unsigned status = 200;
  std::string type = "text/plain; charset=utf-8";
  std::string body;
  std::vector<std::pair<std::string, std::string>> headers;  ///< besides those that every answer has
  bool close = false;
};

/// A plain answer of one line.
[[nodiscard]] Answer plain(unsigned status, std::string line);

inline constexpr const char* cookie_name = "nightwatt_page";

struct GateSettings {
  bool loopback = true;        ///< the page listens on a loopback address
  std::string token;           ///< empty: none is asked for
  std::string session_secret;  ///< the cookie's value of those who gave the token
};

/// Page thread.
class Gate {
 public:
  explicit Gate(GateSettings settings) : settings_(std::move(settings)) {}

  /// What was asked for, if it may be given; else the answer.
  [[nodiscard]] std::variant<Target, Answer> judge(const Request& request, MonoTime now);

 private:
  enum class Token { right, wrong, none, too_many };
  [[nodiscard]] Token look_at(const Request& request, const Target& target, MonoTime now);
  [[nodiscard]] bool has_session(const Request& request) const;

  GateSettings settings_;
  WrongTokens wrong_tokens_;
};

}  // namespace nightwatt::daemon::page
