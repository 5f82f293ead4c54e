// Who is let in to the status page, and what its own parsers make of hostile words.
#include <catch2/catch.hpp>
#include <random>

#include "page/access.hpp"
#include "page/gate.hpp"
#include "page/target.hpp"

using namespace nightwatt;
using namespace nightwatt::daemon::page;

namespace {

constexpr const char* token = "correct-horse-battery";
constexpr MonoTime start{1'000'000'000};

Request get(const std::string& target) {
  Request request;
  request.method = "GET";
  request.target = target;
  request.host = "127.0.0.1:8471";
  request.peer = "127.0.0.1";
  return request;
}

Gate locked() {
  return Gate({false, token, "sessionsessionsession"});
}

unsigned status_of(Gate& gate, const Request& request, MonoTime now = start) {
  const auto verdict = gate.judge(request, now);
  const auto* answer = std::get_if<Answer>(&verdict);
  return answer == nullptr ? 200 : answer->status;
}

std::string header_of(const Answer& answer, const std::string& name) {
  for (const auto& [key, value] : answer.headers)
    if (key == name) return value;
  return {};
}

}  // namespace

TEST_CASE("page: only looking is allowed, without a body") {
  Gate gate({true, "", "s"});
  CHECK(status_of(gate, get("/")) == 200);
  for (const std::string method : {"POST", "PUT", "DELETE", "OPTIONS", "TRACE", "BREW", ""}) {
    Request request = get("/");
    request.method = method;
    CHECK(status_of(gate, request) == 405);
  }
  Request request = get("/");
  request.has_body = true;
  CHECK(status_of(gate, request) == 413);
}

TEST_CASE("page: on loopback another name than this machine's is turned away") {
  Gate gate({true, "", "s"});
  for (const std::string host : {"localhost", "LocalHost:9000", "127.0.0.1", "127.8.9.1:1", "[::1]", "[::1]:8471"}) {
    Request request = get("/");
    request.host = host;
    CAPTURE(host);
    CHECK(status_of(gate, request) == 200);
  }
  for (const std::string host :
       {"", "evil.example", "127.0.0.1.evil.example", "localhost.evil.example:8471", "128.0.0.1", "[::2]", "[::1",
        "127.0.0.1:", "127.0.0.1:x", "127.0.0.1:99999", "localhost@evil.example", "::1", "0.0.0.0", "[::1]evil"}) {
    Request request = get("/");
    request.host = host;
    CAPTURE(host);
    CHECK(status_of(gate, request) == 421);
  }
}

TEST_CASE("page: without the token nothing is shown but the form and its style") {
  Gate gate = locked();
  for (const std::string path :
       {"/", "/runs/3", "/runs.json", "/metrics", "/live", "/live/seen", "/page.js", "/nothing"})
    CHECK(status_of(gate, get(path)) == 401);
  CHECK(status_of(gate, get("/page.css")) == 200);
  const auto verdict = gate.judge(get("/"), start);
  CHECK(std::get<Answer>(verdict).body.find("<form") != std::string::npos);
}

TEST_CASE("page: the token in the header, or given once for a cookie, lets in") {
  Gate gate = locked();
  Request request = get("/metrics");
  request.authorization = std::string("Bearer ") + token;
  CHECK(status_of(gate, request) == 200);
  request.authorization = std::string("bearer  ") + token;
  CHECK(status_of(gate, request) == 200);

  const auto verdict = gate.judge(get(std::string("/runs/12?token=") + token), start);
  const Answer& answer = std::get<Answer>(verdict);
  CHECK(answer.status == 303);
  CHECK(header_of(answer, "Location") == "/runs/12");
  const std::string cookie = header_of(answer, "Set-Cookie");
  CHECK(cookie.find("HttpOnly") != std::string::npos);
  CHECK(cookie.find("SameSite=Strict") != std::string::npos);
  CHECK(cookie.find(token) == std::string::npos);
  Request back = get("/live");
  back.cookie = "other=1; " + cookie.substr(0, cookie.find(';'));
  CHECK(status_of(gate, back) == 200);
  back.cookie = std::string(cookie_name) + "=" + token;
  CHECK(status_of(gate, back) == 401);
}

TEST_CASE("page: where a token leads to is never the request's choice") {
  Gate gate = locked();
  for (const std::string path : {"//evil.example/", "/\\evil.example", "/runs/../x", "/runs/12x", "/nowhere"}) {
    const auto verdict = gate.judge(get(path + "?token=" + token), start);
    CHECK(header_of(std::get<Answer>(verdict), "Location") == "/");
  }
}

TEST_CASE("page: after five wrong tokens in a minute even the right one is not looked at, others are let in") {
  Gate gate = locked();
  Request wrong = get("/?token=wrong-horse-battery!!");
  for (std::size_t i = 0; i < tries; ++i) CHECK(status_of(gate, wrong, start) == 401);
  CHECK(status_of(gate, wrong, start) == 429);
  Request right = get(std::string("/?token=") + token);
  CHECK(status_of(gate, right, start) == 429);
  Request neighbour = right;
  neighbour.peer = "192.0.2.7";
  CHECK(status_of(gate, neighbour, start) == 303);
  CHECK(status_of(gate, right, start + tries_time + Duration(1)) == 303);
}

TEST_CASE("page: only the guesser waits, however many wrong tokens come from elsewhere") {
  Gate gate = locked();
  Request wrong = get("/?token=wrong-horse-battery!!");
  for (int i = 0; i < 5000; ++i) {
    wrong.peer = "198.51.100." + std::to_string(i % 200);
    (void)status_of(gate, wrong, start);
  }
  CHECK(status_of(gate, wrong, start) == 429);
  Request right = get(std::string("/?token=") + token);
  right.peer = "192.0.2.7";
  CHECK(status_of(gate, right, start) == 303);
}

// RFC 9112: section 3.2 "MUST respond with a 400 ... to any request message that contains more than one Host header
// field line", section 6.3 the same for a Transfer-Encoding whose last coding is not chunked.
TEST_CASE(
    "page: a request with two Host fields, or whose end cannot be told, is refused and the last of its connection") {
  Gate gate({true, "", "s"});
  Request twice = get("/");
  twice.hosts = 2;
  Request unclear = get("/");
  unclear.length_unclear = true;
  for (const Request& request : {twice, unclear}) {
    const auto verdict = gate.judge(request, start);
    REQUIRE(std::holds_alternative<Answer>(verdict));
    CHECK(std::get<Answer>(verdict).status == 400);
    CHECK(std::get<Answer>(verdict).close);
  }
}

TEST_CASE("page: wrong tokens from ever new addresses are remembered within bounds") {
  WrongTokens wrong;
  MonoTime now = start;
  for (int i = 0; i < 5000; ++i) {
    wrong.note_wrong("peer" + std::to_string(i), now);
    now = now + Duration(1'000'000);
    CHECK(wrong.remembered() <= remembered_peers);
  }
}

TEST_CASE("page: an IPv6 network counts as one peer, IPv4 in its clothes as its own address") {
  CHECK(peer_key("2001:db8::1") == peer_key("2001:db8::ffff:2"));
  CHECK(peer_key("2001:db8::1") != peer_key("2001:db8:0:1::1"));
  CHECK(peer_key("fe80::1%eth0") == peer_key("fe80::2%eth1"));
  CHECK(peer_key("::ffff:192.0.2.1") != peer_key("::ffff:192.0.2.2"));
  CHECK(peer_key("192.0.2.1") == "192.0.2.1");
}

TEST_CASE("page: secrets are the same only where every byte is") {
  const std::string secret = "0123456789abcdef";
  CHECK(same_secret(secret, secret));
  CHECK_FALSE(same_secret("", ""));
  CHECK_FALSE(same_secret("", secret));
  CHECK_FALSE(same_secret(secret + secret, secret));
  CHECK_FALSE(same_secret(secret.substr(0, 8), secret));
  for (std::size_t i = 0; i < secret.size(); ++i) {
    std::string other = secret;
    other[i] = 'x';
    CHECK_FALSE(same_secret(other, secret));
  }
  CHECK(random_secret() != random_secret());
  CHECK(random_secret()->size() == 64);
}

TEST_CASE("page: targets, cookies and bearer headers are read as their standards have them") {
  const auto target = parse_target("/live/seen?a=b&stream=17&token=a%2Bb+c%26&token=second&stream=9");
  REQUIRE(target);
  CHECK(target->path == "/live/seen");
  CHECK(target->stream == 17);
  CHECK(target->token == "a+b c&");
  for (const std::string bad : {"", "*", "http://x/", "/?token=%", "/?token=%4", "/?token=%zz", "x"})
    CHECK_FALSE(parse_target(bad));
  CHECK_FALSE(parse_target("/" + std::string(target_limit, 'x')));
  CHECK_FALSE(parse_target("/?stream=-1")->stream);
  CHECK_FALSE(parse_target("/?stream=99999999999999999999")->stream);
  // The header field of RFC 6265's own example, 3.1.
  CHECK(cookie_value("SID=31d4d96e407aad42; lang=en-US", "lang") == "en-US");
  CHECK(cookie_value("SID=31d4d96e407aad42; lang=en-US", "SID") == "31d4d96e407aad42");
  CHECK_FALSE(cookie_value("SIDE=1; XSID=2", "SID"));
  CHECK(cookie_value("a=\"b\"", "a") == "b");
  // RFC 6750's own example, 2.1.
  CHECK(bearer_token("Bearer mF_9.B5f-4.1JqM") == "mF_9.B5f-4.1JqM");
  for (const std::string bad : {"", "Bearer", "Bearer ", "Basic abc", "Bear er"}) CHECK_FALSE(bearer_token(bad));
  CHECK(run_of_path("/runs/12") == 12);
  for (const std::string bad :
       {"/runs/", "/runs/0", "/runs/01", "/runs/-1", "/runs/1/", "/runs/99999999999999999999", "/run/1"})
    CHECK_FALSE(run_of_path(bad));
}

TEST_CASE("page: no random words break the parsers, and what they take out was in the words") {
  const unsigned seed = std::random_device{}();
  CAPTURE(seed);
  std::mt19937 random(seed);
  const std::string alphabet = "/?&=%;+\"[]:.09afAFtokenstream runs\tBearer\xff\x01";
  for (int round = 0; round < 20'000; ++round) {
    std::string words;
    for (std::size_t i = random() % 40; i > 0; --i) words += alphabet[random() % alphabet.size()];
    CAPTURE(words);
    if (const auto target = parse_target("/" + words)) REQUIRE(("/" + words).starts_with(target->path));
    if (const auto value = cookie_value(words, "t")) REQUIRE(words.find(*value) != std::string::npos);
    if (const auto value = bearer_token(words))
      REQUIRE(words.ends_with(std::string(*value)) == (words.back() != ' ' && words.back() != '\t'));
    (void)names_loopback(words);
    (void)run_of_path("/runs/" + words);
  }
}
