#include "connection.hpp"

#include <boost/asio/buffer.hpp>
#include <boost/beast/http/error.hpp>
#include <boost/beast/http/read.hpp>
#include <boost/beast/http/status.hpp>
#include <ctime>
#include <string_view>

namespace nightwatt::daemon::page {

namespace asio = boost::asio;
namespace http = boost::beast::http;
using boost::system::error_code;

namespace {

// Beast looks at the header as it comes and must have it whole, with what a client sent ahead.
constexpr std::size_t buffer_limit = 2 * header_limit;
constexpr std::size_t piece_limit = 64 * 1024;  // of one write, so that progress is seen

// Nothing from elsewhere, nothing inline, nothing framed, nothing kept. What is not named is refused.
constexpr std::string_view common_headers =
    "Content-Security-Policy: default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "img-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'\r\n"
    "X-Content-Type-Options: nosniff\r\n"
    "X-Frame-Options: DENY\r\n"
    "Referrer-Policy: no-referrer\r\n"
    "Cross-Origin-Opener-Policy: same-origin\r\n"
    "Cross-Origin-Resource-Policy: same-origin\r\n"
    "Cache-Control: no-store\r\n";

// IMF-fixdate (RFC 9110 5.6.7), whatever the locale.
std::string http_date(UtcTime time) {
  constexpr const char* days[] = {"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"};
  constexpr const char* months[] = {"Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"};
  const std::time_t seconds = static_cast<std::time_t>(time.us / 1'000'000);
  std::tm parts{};
  if (gmtime_r(&seconds, &parts) == nullptr) return {};
  char text[64];
  const std::size_t length = std::strftime(text, sizeof text, "%d %b %Y %H:%M:%S GMT", &parts);
  std::string date(text, length);
  date.replace(3, 3, months[parts.tm_mon]);
  return std::string(days[parts.tm_wday]) + ", " + date;
}

// Else it is the socket's.
bool is_http_error(const error_code& failed) {
  return failed.category() == http::make_error_code(http::error::bad_method).category();
}

bool has_own_policy(const Answer& answer) {
  for (const auto& [name, value] : answer.headers)
    if (name == "Content-Security-Policy") return true;
  return false;
}

}  // namespace

Connection::Connection(Socket socket, ConnectionOwner& owner)
    : socket_(std::move(socket)), owner_(owner), buffer_(buffer_limit), timeouts_(owner.now()) {
  error_code failed;
  const auto peer = socket_.remote_endpoint(failed);
  if (!failed) peer_ = peer.address().to_string();
  socket_.set_option(asio::ip::tcp::no_delay(true), failed);
}

bool Connection::keeps_request_back() const {
  return open_ && (timeouts_.phase() == Timeouts::Phase::idle || timeouts_.phase() == Timeouts::Phase::request);
}

void Connection::read_request() {
  parser_.emplace();
  parser_->header_limit(header_limit);
  if (buffer_.size() > 0) return read_header();  // sent ahead
  timeouts_.enter(Timeouts::Phase::idle, owner_.now());
  // The first byte of a request starts its clock.
  socket_.async_wait(Socket::wait_read, [self = shared_from_this()](error_code ec) {
    if (ec || !self->open_) return self->close();
    self->read_header();
  });
}

void Connection::read_header() {
  timeouts_.enter(Timeouts::Phase::request, owner_.now());
  http::async_read_header(socket_, buffer_, *parser_, [self = shared_from_this()](error_code failed, std::size_t) {
    if (!self->open_) return;
    if (!failed) return self->take_request();
    if (failed == http::error::header_limit || failed == http::error::buffer_overflow)
      return self->refuse(431, "The request's header is too long.");
    if (failed == http::error::end_of_stream || !is_http_error(failed)) return self->close();
    self->refuse(400, "Bad request.");
  });
}

void Connection::take_request() {
  const auto& message = parser_->get();
  Request request;
  request.method = std::string(message.method_string());
  request.target = std::string(message.target());
  request.host = std::string(message[http::field::host]);
  request.cookie = std::string(message[http::field::cookie]);
  request.authorization = std::string(message[http::field::authorization]);
  request.accept = std::string(message[http::field::accept]);
  request.peer = peer_;
  const auto length = parser_->content_length();
  request.hosts = message.count(http::field::host);
  // A coding that is not `chunked` at last: Beast would take it for no body at all.
  request.length_unclear = message.count(http::field::transfer_encoding) > 0 && !parser_->chunked();
  request.has_body = parser_->chunked() || (length && *length > 0);
  request.keep_alive = message.keep_alive();
  head_only_ = request.method == "HEAD";
  keep_alive_ = request.keep_alive && !request.has_body && !request.length_unclear;
  timeouts_.enter(Timeouts::Phase::answer, owner_.now());
  owner_.asked(shared_from_this(), request);
}

void Connection::refuse(unsigned status, std::string line) {
  owner_.made_no_sense();
  Answer refusal = plain(status, std::move(line));
  refusal.close = true;
  head_only_ = false;
  answer(refusal);
}

std::string Connection::head(const Answer& answer, bool stream) const {
  std::string text = "HTTP/1.1 " + std::to_string(answer.status) + " ";
  text += std::string(http::obsolete_reason(http::int_to_status(answer.status)));
  text += "\r\nDate: " + http_date(owner_.date()) + "\r\nContent-Type: " + answer.type + "\r\n";
  if (has_own_policy(answer))
    text += common_headers.substr(common_headers.find("\r\n") + 2);
  else
    text += common_headers;
  for (const auto& [name, value] : answer.headers) text += name + ": " + value + "\r\n";
  if (!stream) text += "Content-Length: " + std::to_string(answer.body.size()) + "\r\n";
  text += keep_alive_ && !stream ? "Connection: keep-alive\r\n\r\n" : "Connection: close\r\n\r\n";
  return text;
}

void Connection::answer(const Answer& answer) {
  if (!open_) return;
  if (answer.close) keep_alive_ = false;
  std::string text = head(answer, false);
  if (!head_only_) text += answer.body;
  timeouts_.enter(Timeouts::Phase::sending, owner_.now());
  (void)outbox_.put(std::make_shared<const std::string>(std::move(text)));
  write();
}

void Connection::start_stream(std::uint64_t id) {
  if (!open_) return;
  Answer opening;
  opening.type = "text/event-stream";
  keep_alive_ = false;
  error_code ignored;
  socket_.set_option(asio::socket_base::send_buffer_size(stream_send_buffer), ignored);
  (void)outbox_.put(std::make_shared<const std::string>(head(opening, true)));
  if (head_only_) {
    timeouts_.enter(Timeouts::Phase::sending, owner_.now());
    return write();
  }
  stream_ = id;
  timeouts_.enter(Timeouts::Phase::stream, owner_.now());
  write();
  watch_for_end();
}

bool Connection::push(const Outbox::Text& text) {
  if (!open_) return false;
  if (outbox_.empty()) timeouts_.moved(owner_.now());
  if (!outbox_.put(text)) {
    close();
    return false;
  }
  write();
  return true;
}

void Connection::write() {
  if (writing_ || !open_) return;
  const std::string_view piece = outbox_.next().substr(0, piece_limit);
  if (piece.empty()) return sent_all();
  writing_ = true;
  socket_.async_write_some(asio::buffer(piece), [self = shared_from_this()](error_code ec, std::size_t count) {
    self->writing_ = false;
    if (ec || !self->open_) return self->close();
    self->outbox_.took(count);
    self->timeouts_.moved(self->owner_.now());
    self->write();
  });
}

void Connection::sent_all() {
  if (stream_ || timeouts_.phase() != Timeouts::Phase::sending) return;
  if (keep_alive_) return read_request();
  part();
}

// Closed at once, what the client still sends would make its system throw the answer away unread.
void Connection::part() {
  timeouts_.enter(Timeouts::Phase::parting, owner_.now());
  error_code ignored;
  socket_.shutdown(Socket::shutdown_send, ignored);
  throw_away();
}

void Connection::throw_away() {
  socket_.async_read_some(asio::buffer(scrap_), [self = shared_from_this()](error_code ec, std::size_t count) {
    self->thrown_away_ += count;
    if (ec || !self->open_ || self->thrown_away_ > parting_bytes) return self->close();
    self->throw_away();
  });
}

// A watcher has nothing more to say; what it says is passed over until it hangs up.
void Connection::watch_for_end() {
  socket_.async_read_some(asio::buffer(scrap_), [self = shared_from_this()](error_code ec, std::size_t count) {
    self->thrown_away_ += count;
    if (ec || !self->open_ || self->thrown_away_ > parting_bytes) return self->close();
    self->watch_for_end();
  });
}

bool Connection::sweep(MonoTime now) {
  if (!open_ || !timeouts_.over(now, !outbox_.empty())) return false;
  // What the system still holds for it is thrown away too.
  error_code ignored;
  if (!outbox_.empty()) socket_.set_option(asio::socket_base::linger(true, 0), ignored);
  close();
  return true;
}

void Connection::close() {
  if (!std::exchange(open_, false)) return;
  error_code ignored;
  socket_.close(ignored);
  owner_.gone(shared_from_this());
}

}  // namespace nightwatt::daemon::page
