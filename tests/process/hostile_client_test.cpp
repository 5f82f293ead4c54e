// A client of the control socket that is slow, huge, binary or many: the recording goes on and others are answered.
#include <fcntl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <cstring>

#include "harness.hpp"

namespace nightwatt::process {
namespace {

class Client {
 public:
  explicit Client(const std::string& path) : fd_(::socket(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK, 0)) {
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    std::strncpy(address.sun_path, path.c_str(), sizeof address.sun_path - 1);
    connected_ = ::connect(fd_, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0;
  }
  ~Client() { ::close(fd_); }
  Client(const Client&) = delete;
  Client& operator=(const Client&) = delete;
  [[nodiscard]] bool connected() const { return connected_; }
  /// As much as the other side takes now; false once it has hung up.
  bool send(const std::string& bytes) const {
    return ::send(fd_, bytes.data(), bytes.size(), MSG_NOSIGNAL) >= 0 || errno == EAGAIN;
  }
  /// What came until the other side closed or the limit passed.
  [[nodiscard]] std::string answer(double limit_s) const {
    std::string all;
    (void)eventually(limit_s, [&] {
      char buffer[4096];
      const ssize_t n = ::recv(fd_, buffer, sizeof buffer, 0);
      if (n > 0) all.append(buffer, static_cast<std::size_t>(n));
      return n == 0 || (n < 0 && errno != EAGAIN);
    });
    return all;
  }

 private:
  int fd_;
  bool connected_ = false;
};

struct Recording {
  Bench bench{line_profile()};
  Recording() {
    bench.start_meter("noise white 0.4\nlevel 25 for 1h\n", 30.0);
    bench.start_service();
  }
  [[nodiscard]] std::string socket() const { return bench.dir().path("control.sock"); }
  void still_records() {
    const long before = bench.readings();
    REQUIRE(before >= 0);
    CHECK(eventually(10.0, [&] { return bench.readings() >= before + 10; }));
  }
};

TEST_CASE("the control socket is for owner and group only") {
  const Recording recording;
  struct stat status {};
  REQUIRE(::stat(recording.socket().c_str(), &status) == 0);
  CHECK((status.st_mode & 0777) == 0660);
}

TEST_CASE("clients that never finish their request hold up nobody") {
  Recording recording;
  std::vector<std::unique_ptr<Client>> clients;
  for (int i = 0; i < 100; ++i) {
    clients.push_back(std::make_unique<Client>(recording.socket()));
    if (clients.back()->connected()) clients.back()->send("{\"do\": \"sta");
  }
  recording.still_records();
  CHECK(recording.bench.stop_service() == 0);
}

TEST_CASE("a request without end is cut off, binary and nonsense are refused in one line") {
  Recording recording;
  const Client huge(recording.socket());
  REQUIRE(huge.connected());
  CHECK(eventually(5.0, [&huge] { return !huge.send(std::string(4096, 'x')); }));
  std::string binary;
  for (int i = 0; i < 256; ++i) binary += static_cast<char>(i);
  for (const std::string& request :
       {binary + "\n", std::string("\n"), std::string("{}\n"), std::string("[1]\n"), std::string("{\"do\": 7}\n"),
        std::string("{\"do\": \"fly\"}\n"), std::string("{\"do\": \"begin\"}\n"),
        std::string("{\"do\": \"begin\", \"device\": \"a\\u0000b\"}\n"),
        std::string("{\"do\": \"begin\", \"device\": \"x\", \"at_us\": 1e300}\n"), std::string(8000, '[') + "\n"}) {
    const Client client(recording.socket());
    REQUIRE(client.connected());
    client.send(request);
    const std::string answer = client.answer(5.0);
    CAPTURE(request.substr(0, 60), answer);
    const auto json = nlohmann::json::parse(answer, nullptr, false);
    CHECK((answer.empty() || (json.is_object() && json.value("ok", true) == false)));
  }
  recording.still_records();
  CHECK(recording.bench.ask_json({"status"}).at("service") == "running");
  CHECK(recording.bench.stop_service() == 0);
}

TEST_CASE("a client that does not read its answers does no harm") {
  Recording recording;
  std::vector<std::unique_ptr<Client>> clients;
  for (int i = 0; i < 20; ++i) {
    clients.push_back(std::make_unique<Client>(recording.socket()));
    clients.back()->send("{\"do\": \"status\"}\n{\"do\": \"status\"}\n");
  }
  recording.still_records();
  clients.clear();
  recording.still_records();
  CHECK(recording.bench.stop_service() == 0);
}

}  // namespace
}  // namespace nightwatt::process
