#include "gate.hpp"

#include "site.hpp"

namespace nightwatt::daemon::page {

Answer plain(unsigned status, std::string line) {
  Answer answer;
  answer.status = status;
  answer.body = std::move(line) + "\n";
  return answer;
}

namespace {

Answer refused_method() {
  Answer answer = plain(405, "This page is for looking at: GET and HEAD.");
  answer.headers = {{"Allow", "GET, HEAD"}};
  answer.close = true;
  return answer;
}

Answer refused_body() {
  Answer answer = plain(413, "Requests to this page have no body.");
  answer.close = true;
  return answer;
}

// RFC 9112: 6.3 a request whose end cannot be told, 3.2 more than one Host field. Closed, so that nothing behind it is
// taken for the next request.
Answer refused_framing() {
  Answer answer = plain(400, "Bad request.");
  answer.close = true;
  return answer;
}

Answer asked_for_token(const std::string& path, bool wrong) {
  Answer answer = plain(401, wrong ? "Wrong token." : "This page wants a token: Authorization: Bearer TOKEN.");
  answer.headers = {{"WWW-Authenticate", "Bearer"}};
  if (path != "/" && !run_of_path(path)) return answer;
  answer.type = html_type;
  answer.body = login_html(wrong);
  return answer;
}

Answer too_many_tries() {
  Answer answer = plain(429, "Too many wrong tokens; wait a minute.");
  answer.headers = {{"Retry-After", std::to_string(tries_time.count() / 1'000'000)}};
  answer.close = true;
  return answer;
}

// Off with the token out of the address bar, at once. Where to is ours to say, never the request's.
Answer let_in(const std::string& path, const std::string& secret) {
  Answer answer = plain(303, "Welcome.");
  const auto run = run_of_path(path);
  answer.headers = {{"Location", run ? "/runs/" + std::to_string(*run) : "/"},
                    {"Set-Cookie", std::string(cookie_name) + "=" + secret + "; Path=/; HttpOnly; SameSite=Strict"}};
  return answer;
}

}  // namespace

bool Gate::has_session(const Request& request) const {
  const auto value = cookie_value(request.cookie, cookie_name);
  return value && same_secret(*value, settings_.session_secret);
}

Gate::Token Gate::look_at(const Request& request, const Target& target, MonoTime now) {
  const auto bearer = bearer_token(request.authorization);
  if (!bearer && !target.token) return Token::none;
  const std::string peer = peer_key(request.peer);
  if (!wrong_tokens_.may_try(peer, now)) return Token::too_many;
  if (!same_secret(bearer ? *bearer : std::string_view(*target.token), settings_.token)) {
    wrong_tokens_.note_wrong(peer, now);
    return Token::wrong;
  }
  wrong_tokens_.note_right(peer);
  return Token::right;
}

std::variant<Target, Answer> Gate::judge(const Request& request, MonoTime now) {
  if (request.length_unclear || request.hosts > 1) return refused_framing();
  if (request.method != "GET" && request.method != "HEAD") return refused_method();
  if (request.has_body) return refused_body();
  if (settings_.loopback && !names_loopback(request.host))
    return plain(421, "This page answers to localhost and 127.0.0.1 only; a proxy must set the Host header.");
  auto target = parse_target(request.target);
  if (!target) return plain(400, "Bad request.");
  if (settings_.token.empty() || is_public(target->path)) return std::move(*target);
  if (has_session(request))
    return target->token ? std::variant<Target, Answer>(let_in(target->path, settings_.session_secret))
                         : std::variant<Target, Answer>(std::move(*target));
  switch (look_at(request, *target, now)) {
    case Token::too_many:
      return too_many_tries();
    case Token::none:
      return asked_for_token(target->path, false);
    case Token::wrong:
      return asked_for_token(target->path, true);
    case Token::right:
      break;
  }
  if (target->token) return let_in(target->path, settings_.session_secret);
  return std::move(*target);
}

}  // namespace nightwatt::daemon::page
