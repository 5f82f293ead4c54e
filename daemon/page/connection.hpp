// One client of the page: reads its requests, sends its answers, and holds nobody up.
#pragma once

#include <array>
#include <boost/asio/ip/tcp.hpp>
#include <boost/beast/core/flat_buffer.hpp>
#include <boost/beast/http/empty_body.hpp>
#include <boost/beast/http/parser.hpp>
#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "gate.hpp"
#include "outbox.hpp"
#include "timeouts.hpp"

namespace nightwatt::daemon::page {

class Connection;

/// What a connection tells its server.
class ConnectionOwner {
 public:
  virtual ~ConnectionOwner() = default;
  /// A whole request; answer() or start_stream() must follow, soon or later.
  virtual void asked(const std::shared_ptr<Connection>& client, const Request& request) = 0;
  /// Something came that is no request; it has been answered.
  virtual void made_no_sense() = 0;
  /// It is closed; nothing more comes of it.
  virtual void gone(const std::shared_ptr<Connection>& client) = 0;
  [[nodiscard]] virtual MonoTime now() const = 0;
  /// The calendar, for the Date header.
  [[nodiscard]] virtual UtcTime date() const = 0;
};

/// Page thread. Kept alive by its own handlers and by its owner until gone().
class Connection : public std::enable_shared_from_this<Connection> {
 public:
  Connection(boost::asio::ip::tcp::socket socket, ConnectionOwner& owner);

  void start() { read_request(); }
  void answer(const Answer& answer);
  /// The head of a live stream goes out; from now on push().
  void start_stream(std::uint64_t id);
  /// False: too far behind; it has been closed.
  bool push(const Outbox::Text& text);
  void close();
  [[nodiscard]] bool took_all() const { return outbox_.empty(); }

  /// Closes it if it has had time enough; true if it did.
  bool sweep(MonoTime now);
  [[nodiscard]] std::optional<std::uint64_t> stream() const { return stream_; }
  [[nodiscard]] Timeouts& timeouts() { return timeouts_; }
  [[nodiscard]] bool keeps_request_back() const;

 private:
  using Socket = boost::asio::ip::tcp::socket;
  using Parser = boost::beast::http::request_parser<boost::beast::http::empty_body>;

  void read_request();
  void read_header();
  void take_request();
  void refuse(unsigned status, std::string line);
  void write();
  void sent_all();
  void part();
  void throw_away();
  void watch_for_end();
  [[nodiscard]] std::string head(const Answer& answer, bool stream) const;

  Socket socket_;
  ConnectionOwner& owner_;
  std::string peer_;
  boost::beast::flat_buffer buffer_;
  std::optional<Parser> parser_;
  Outbox outbox_;
  Timeouts timeouts_;
  std::optional<std::uint64_t> stream_;
  std::array<char, 512> scrap_{};
  std::size_t thrown_away_ = 0;
  bool head_only_ = false;
  bool keep_alive_ = false;
  bool writing_ = false;
  bool open_ = true;
};

}  // namespace nightwatt::daemon::page
