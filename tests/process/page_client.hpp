// A bare TCP client of the status page, and a port nobody listens on.
#pragma once

#include <optional>
#include <string>

namespace nightwatt::process {

[[nodiscard]] int free_port();

/// Holds a port, as another program would.
class PortHolder {
 public:
  explicit PortHolder(int port = 0);
  ~PortHolder();
  PortHolder(const PortHolder&) = delete;
  PortHolder& operator=(const PortHolder&) = delete;
  [[nodiscard]] int port() const { return port_; }

 private:
  int fd_;
  int port_ = 0;
};

/// Connects at once; non-blocking from then on.
class PageClient {
 public:
  explicit PageClient(int port);
  ~PageClient();
  PageClient(PageClient&& other) noexcept : fd_(other.fd_), connected_(other.connected_), got_(std::move(other.got_)) {
    other.fd_ = -1;
  }
  PageClient& operator=(PageClient&&) = delete;
  [[nodiscard]] bool connected() const { return connected_; }
  /// As much as the other side takes now; false once it has hung up.
  bool send(const std::string& bytes) const;
  /// Takes what is there; false once the other side has closed.
  bool read();
  /// All that was read so far.
  [[nodiscard]] const std::string& got() const { return got_; }
  /// Reads until the other side closes or the limit passes.
  [[nodiscard]] std::string answer(double limit_s);
  /// Whether the other side has closed, without reading anything.
  [[nodiscard]] bool dropped() const;

 private:
  int fd_;
  bool connected_ = false;
  std::string got_;
};

/// The whole answer to one request.
[[nodiscard]] std::string ask_page(int port, const std::string& target, const std::string& more_headers = "");
/// The value of a sample of /metrics by its whole name with labels; none where it is not there.
[[nodiscard]] std::optional<double> metric(int port, const std::string& sample);

}  // namespace nightwatt::process
