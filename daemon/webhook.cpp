#include <netdb.h>

#include <boost/asio/ip/address.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/beast/core/flat_buffer.hpp>
#include <boost/beast/core/tcp_stream.hpp>
#include <boost/beast/http/empty_body.hpp>
#include <boost/beast/http/parser.hpp>
#include <boost/beast/http/read.hpp>
#include <boost/beast/http/string_body.hpp>
#include <boost/beast/http/write.hpp>
#include <cstring>
#include <optional>
#include <thread>
#include <utility>

#include "delivery.hpp"

namespace nightwatt::daemon {

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = beast::http;
using boost::system::error_code;
using Tcp = asio::ip::tcp;

namespace {

constexpr std::uint32_t header_limit = 8192;  // of the answer; its body is not read
constexpr std::size_t endpoint_limit = 8;     // of one name

using Endpoints = std::vector<Tcp::endpoint>;

/// What the system's resolver says; blocks.
Endpoints resolve(const std::string& host, std::uint16_t port, std::string& why) {
  addrinfo hints{};
  hints.ai_family = AF_UNSPEC;
  hints.ai_socktype = SOCK_STREAM;
  addrinfo* found = nullptr;
  Endpoints result;
  if (const int problem = ::getaddrinfo(host.c_str(), nullptr, &hints, &found); problem != 0) {
    why = "host " + host + ": " + ::gai_strerror(problem);
    return result;
  }
  for (const addrinfo* entry = found; entry != nullptr && result.size() < endpoint_limit; entry = entry->ai_next) {
    Tcp::endpoint endpoint;
    if (entry->ai_addrlen > endpoint.capacity()) continue;
    std::memcpy(endpoint.data(), entry->ai_addr, entry->ai_addrlen);
    endpoint.resize(entry->ai_addrlen);
    endpoint.port(port);
    result.push_back(endpoint);
  }
  ::freeaddrinfo(found);
  if (result.empty()) why = "host " + host + " has no address";
  return result;
}

std::string host_field(const config::WebAddress& address) {
  const std::string host = address.host.find(':') == std::string::npos ? address.host : "[" + address.host + "]";
  return address.port == 80 ? host : host + ":" + std::to_string(address.port);
}

class Post final : public Delivery, public std::enable_shared_from_this<Post> {
 public:
  Post(asio::io_context& io, const config::WebAddress& address, const std::string& body, Delivered done)
      : address_(address), done_(std::move(done)), stream_(io), deadline_(io) {
    request_.method(http::verb::post);
    request_.target(address.target);
    request_.version(11);
    request_.set(http::field::host, host_field(address));
    request_.set(http::field::user_agent, "nightwatt/" NIGHTWATT_VERSION);
    request_.set(http::field::content_type, "application/json");
    request_.set(http::field::connection, "close");
    request_.body() = body;
    request_.prepare_payload();
    parser_.header_limit(header_limit);
  }

  void start(const std::shared_ptr<asio::io_context>& io, Duration limit, const Lookups& lookups) {
    deadline_.expires_after(limit);
    deadline_.async_wait([self = shared_from_this()](error_code ec) {
      if (!ec) self->end("no answer in its time");
    });
    error_code no_address;
    const auto number = asio::ip::make_address(address_.host, no_address);
    if (!no_address) {
      asio::post(*io,
                 [self = shared_from_this(), number] { self->connect({Tcp::endpoint(number, self->address_.port)}); });
      return;
    }
    look_up(io, lookups);
  }

  void cancel() override {
    done_ = nullptr;
    let_go();
  }

 private:
  // In a thread that nobody waits for: the system's resolver cannot be called off, and a service that stops must not
  // wait for a name server. The thread keeps the io_context, nothing else of ours.
  void look_up(const std::shared_ptr<asio::io_context>& io, const Lookups& lookups) {
    if (lookups->fetch_add(1) >= lookup_limit) {
      --*lookups;
      asio::post(*io, [self = shared_from_this()] { self->end("too many names are still being looked up"); });
      return;
    }
    std::thread([io, lookups, weak = weak_from_this(), host = address_.host, port = address_.port] {
      std::string why;
      Endpoints found = resolve(host, port, why);
      --*lookups;
      asio::post(*io, [weak, found = std::move(found), why] {
        const auto self = weak.lock();
        if (!self || !self->done_) return;
        found.empty() ? self->end(why) : self->connect(found);
      });
    }).detach();
  }

  void connect(const Endpoints& endpoints) {
    stream_.async_connect(endpoints, [self = shared_from_this()](error_code ec, const Tcp::endpoint&) {
      if (ec) return self->end("cannot be reached: " + ec.message());
      http::async_write(self->stream_, self->request_, [self](error_code failed, std::size_t) {
        if (failed) return self->end("broke off: " + failed.message());
        self->read();
      });
    });
  }

  void read() {
    http::async_read_header(stream_, buffer_, parser_, [self = shared_from_this()](error_code ec, std::size_t) {
      if (ec) return self->end("no answer that can be read: " + ec.message());
      const unsigned status = self->parser_.get().result_int();
      self->end(status / 100 == 2 ? std::string() : "answered " + std::to_string(status));
    });
  }

  void end(std::string why) {
    let_go();
    deliver(done_, std::move(why));
  }
  void let_go() {
    deadline_.cancel();
    stream_.close();
  }

  const config::WebAddress address_;
  Delivered done_;
  beast::tcp_stream stream_;
  asio::steady_timer deadline_;
  beast::flat_buffer buffer_{header_limit};
  http::request<http::string_body> request_;
  http::response_parser<http::empty_body> parser_;
};

}  // namespace

std::shared_ptr<Delivery> post_webhook(const std::shared_ptr<asio::io_context>& io, const config::WebAddress& address,
                                       const std::string& body, Duration limit, const Lookups& lookups,
                                       Delivered done) {
  auto post = std::make_shared<Post>(*io, address, body, std::move(done));
  post->start(io, limit, lookups);
  return post;
}

}  // namespace nightwatt::daemon
