// A server of libmodbus, an independent implementation, on one side of a pseudo-terminal; our port and decoder on the
// other.

#include <arpa/inet.h>
#include <fcntl.h>
#include <modbus.h>
#include <poll.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <atomic>
#include <catch2/catch.hpp>
#include <cerrno>
#include <chrono>
#include <cstring>
#include <memory>
#include <string>
#include <thread>

#include "drivers/decoder.hpp"
#include "drivers/port.hpp"
#include "drivers/protocols.hpp"
#include "drivers/tcp_port.hpp"

namespace nightwatt {

namespace {

constexpr int unit = 17;
constexpr int first_register = 100;
constexpr int register_total = 16;

struct ContextFree {
  void operator()(modbus_t* context) const {
    modbus_close(context);
    modbus_free(context);
  }
};
struct MappingFree {
  void operator()(modbus_mapping_t* mapping) const { modbus_mapping_free(mapping); }
};

/// Answers function 3 and 4 from its registers 100 to 115, with an exception for all others, in a thread of its own.
class Server {
 public:
  Server()
      : context_(modbus_new_rtu("/dev/ptmx", 9600, 'N', 8, 1)),
        mapping_(modbus_mapping_new_start_address(0, 0, 0, 0, first_register, register_total, first_register,
                                                  register_total)) {
    REQUIRE(context_);
    REQUIRE(mapping_);
    REQUIRE(modbus_set_slave(context_.get(), unit) == 0);
    REQUIRE(modbus_connect(context_.get()) == 0);  // opens the controlling side
    const int fd = modbus_get_socket(context_.get());
    REQUIRE(::grantpt(fd) == 0);
    REQUIRE(::unlockpt(fd) == 0);
    std::array<char, 128> name{};
    REQUIRE(::ptsname_r(fd, name.data(), name.size()) == 0);
    path_ = name.data();
    // Without a terminal side open, the controlling side reads errors.
    keeper_ = ::open(path_.c_str(), O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    REQUIRE(keeper_ >= 0);
    REQUIRE(modbus_set_indication_timeout(context_.get(), 0, 20'000) == 0);
  }
  ~Server() {
    stop_ = true;
    if (thread_.joinable()) thread_.join();
    ::close(keeper_);
  }
  Server(const Server&) = delete;
  Server& operator=(const Server&) = delete;

  [[nodiscard]] std::uint16_t* holding() { return mapping_->tab_registers; }
  [[nodiscard]] std::uint16_t* input() { return mapping_->tab_input_registers; }
  [[nodiscard]] const std::string& path() const { return path_; }

  void start() {
    thread_ = std::thread([this] {
      std::array<std::uint8_t, MODBUS_RTU_MAX_ADU_LENGTH> query{};
      while (!stop_) {
        const int length = modbus_receive(context_.get(), query.data());
        if (length > 0) modbus_reply(context_.get(), query.data(), length, mapping_.get());
      }
    });
  }

 private:
  std::unique_ptr<modbus_t, ContextFree> context_;
  std::unique_ptr<modbus_mapping_t, MappingFree> mapping_;
  std::string path_;
  int keeper_ = -1;
  std::atomic<bool> stop_{false};
  std::thread thread_;
};

ReadSpec read_of(Quantity quantity, int function, int address, RegisterType type,
                 RegisterOrder order = RegisterOrder::abcd) {
  ReadSpec read;
  read.quantity = quantity;
  read.function = function;
  read.register_address = static_cast<std::uint16_t>(address);
  read.type = type;
  read.order = order;
  return read;
}

MeterProfile profile_of(std::vector<ReadSpec> reads, int of_unit = unit) {
  MeterProfile profile;
  ModbusRtuSettings settings;
  settings.unit = of_unit;
  settings.timeout = std::chrono::milliseconds(200);
  settings.retries = 1;
  profile.protocol = settings;
  profile.interval = std::chrono::milliseconds(50);
  profile.reads = std::move(reads);
  return profile;
}

/// The same server on a socket of this machine, for one connection after the other.
class TcpServer {
 public:
  TcpServer()
      : context_(modbus_new_tcp("127.0.0.1", 0)),
        mapping_(modbus_mapping_new_start_address(0, 0, 0, 0, first_register, register_total, first_register,
                                                  register_total)) {
    REQUIRE(context_);
    REQUIRE(mapping_);
    listener_ = modbus_tcp_listen(context_.get(), 1);
    REQUIRE(listener_ >= 0);
    sockaddr_in address{};
    socklen_t length = sizeof address;
    REQUIRE(::getsockname(listener_, reinterpret_cast<sockaddr*>(&address), &length) == 0);
    port_ = ntohs(address.sin_port);
    REQUIRE(modbus_set_indication_timeout(context_.get(), 0, 20'000) == 0);
  }
  ~TcpServer() {
    stop_ = true;
    if (thread_.joinable()) thread_.join();
    ::close(listener_);
  }
  TcpServer(const TcpServer&) = delete;
  TcpServer& operator=(const TcpServer&) = delete;

  [[nodiscard]] std::uint16_t* input() { return mapping_->tab_input_registers; }
  [[nodiscard]] std::uint16_t port() const { return port_; }

  void start() {
    thread_ = std::thread([this] {
      while (!stop_) {
        pollfd waiting{listener_, POLLIN, 0};
        if (::poll(&waiting, 1, 20) <= 0 || modbus_tcp_accept(context_.get(), &listener_) < 0) continue;
        std::array<std::uint8_t, MODBUS_TCP_MAX_ADU_LENGTH> query{};
        while (!stop_) {
          const int length = modbus_receive(context_.get(), query.data());
          if (length > 0) modbus_reply(context_.get(), query.data(), length, mapping_.get());
          if (length < 0 && errno != ETIMEDOUT) break;
        }
      }
    });
  }

 private:
  std::unique_ptr<modbus_t, ContextFree> context_;
  std::unique_ptr<modbus_mapping_t, MappingFree> mapping_;
  int listener_ = -1;
  std::uint16_t port_ = 0;
  std::atomic<bool> stop_{false};
  std::thread thread_;
};

/// A connection to it, when it is there.
drivers::TcpPort connection_to(const TcpServer& server) {
  drivers::TcpPort port = drivers::begin_connect({"127.0.0.1", server.port()}).value();
  pollfd waiting{port.fd(), POLLOUT, 0};
  REQUIRE(::poll(&waiting, 1, 2000) == 1);
  REQUIRE(drivers::connect_error(port.fd()).empty());
  return port;
}

/// Runs a live decoder on a port until it has `wanted` readings or a fault; 5 s at most.
template <class Port>
drivers::Output talk_on(const Port& port, const MeterProfile& profile, std::size_t wanted) {
  const auto decoder = drivers::make_decoder(profile).value();
  drivers::Output out;
  const auto began = std::chrono::steady_clock::now();
  const auto elapsed = [&] { return std::chrono::duration_cast<Duration>(std::chrono::steady_clock::now() - began); };
  while (out.readings.size() < wanted && out.faults.empty() && elapsed() < std::chrono::seconds(5)) {
    decoder->tick(elapsed(), out);
    if (!out.send.empty()) {
      REQUIRE(::write(port.fd(), out.send.data(), out.send.size()) == static_cast<ssize_t>(out.send.size()));
      out.send.clear();
    }
    const Duration wait = decoder->next_tick().value() - elapsed();
    pollfd waiting{port.fd(), POLLIN, 0};
    ::poll(&waiting, 1, static_cast<int>(std::max<std::int64_t>(wait.count() / 1000 + 1, 0)));
    std::array<std::byte, 256> bytes{};
    const ssize_t count = ::read(port.fd(), bytes.data(), bytes.size());
    if (count > 0) decoder->feed(std::span(bytes).first(static_cast<std::size_t>(count)), elapsed(), out);
  }
  return out;
}

drivers::Output talk(const std::string& path, const MeterProfile& profile, std::size_t wanted) {
  return talk_on(drivers::open_port(path, profile.line).value(), profile, wanted);
}

}  // namespace

TEST_CASE("libmodbus answers over TCP, its registers read as it reads them itself, and a refusal is told") {
  TcpServer server;
  server.input()[0] = 0x4366;
  server.input()[1] = 0x8000;
  server.input()[5] = 0xFFFE;
  CHECK(modbus_get_float_abcd(server.input()) == 230.5F);
  server.start();
  MeterProfile profile = profile_of({read_of(Quantity::power, 4, 100, RegisterType::float32),
                                     read_of(Quantity::reactive, 4, 105, RegisterType::s16)});
  profile.protocol = ModbusTcpSettings{.unit = unit, .timeout = std::chrono::milliseconds(500), .retries = 1};
  const drivers::Output out = talk_on(connection_to(server), profile, 3);
  REQUIRE(out.faults.empty());
  REQUIRE(out.readings.size() == 3);
  for (const drivers::Measurement& reading : out.readings) {
    CHECK(reading.values.get(Quantity::power) == Decimal{2305, -1});
    CHECK(reading.values.get(Quantity::reactive) == Decimal{-2, 0});
  }
  profile.reads = {read_of(Quantity::power, 4, 200, RegisterType::u16)};
  const drivers::Output refused = talk_on(connection_to(server), profile, 1);
  REQUIRE(refused.faults.size() == 1);
  CHECK(refused.faults[0].kind == drivers::FaultKind::exception);
}

TEST_CASE("libmodbus answers both functions, and its registers read as it reads them itself") {
  Server server;
  // 230.5 = 0x43668000 (IEEE 754) in each order; set by hand, because libmodbus 3.1.6's float setters write other
  // orders than their names say. Its getters are right and are the check here.
  const std::array<std::uint16_t, 8> floats = {0x4366, 0x8000, 0x8000, 0x4366, 0x6643, 0x0080, 0x0080, 0x6643};
  std::copy(floats.begin(), floats.end(), server.input());
  CHECK(modbus_get_float_abcd(server.input()) == 230.5F);
  CHECK(modbus_get_float_cdab(server.input() + 2) == 230.5F);
  CHECK(modbus_get_float_badc(server.input() + 4) == 230.5F);
  CHECK(modbus_get_float_dcba(server.input() + 6) == 230.5F);
  server.holding()[0] = 555;
  server.holding()[1] = 0xFFFE;
  server.start();

  const MeterProfile profile = profile_of(
      {read_of(Quantity::power, 4, 100, RegisterType::float32, RegisterOrder::abcd),
       read_of(Quantity::voltage, 4, 102, RegisterType::float32, RegisterOrder::cdab),
       read_of(Quantity::current, 4, 104, RegisterType::float32, RegisterOrder::badc),
       read_of(Quantity::frequency, 4, 106, RegisterType::float32, RegisterOrder::dcba),
       read_of(Quantity::energy, 3, 100, RegisterType::u16), read_of(Quantity::reactive, 3, 101, RegisterType::s16)});
  const drivers::Output out = talk(server.path(), profile, 3);
  REQUIRE(out.faults.empty());
  REQUIRE(out.readings.size() == 3);
  for (const drivers::Measurement& reading : out.readings) {
    for (const Quantity quantity : {Quantity::power, Quantity::voltage, Quantity::current, Quantity::frequency})
      CHECK(reading.values.get(quantity) == Decimal{2305, -1});
    CHECK(reading.values.get(Quantity::energy) == Decimal{555, 0});
    CHECK(reading.values.get(Quantity::reactive) == Decimal{-2, 0});
  }
}

TEST_CASE("libmodbus refuses a register it does not have, and the fault says so") {
  Server server;
  server.start();
  const drivers::Output out = talk(server.path(), profile_of({read_of(Quantity::power, 4, 200, RegisterType::u16)}), 1);
  REQUIRE(out.faults.size() == 1);
  CHECK(out.faults[0].kind == drivers::FaultKind::exception);
  CHECK(out.faults[0].message == "unit 17 refused function 4, register 200: illegal data address (exception 2)");
  CHECK(out.readings.empty());
}

TEST_CASE("libmodbus is silent to another unit's question, and the time-out says so") {
  Server server;
  server.start();
  const drivers::Output out =
      talk(server.path(), profile_of({read_of(Quantity::power, 4, 100, RegisterType::u16)}, unit + 1), 1);
  REQUIRE(out.faults.size() == 1);
  CHECK(out.faults[0].kind == drivers::FaultKind::timeout);
  CHECK(out.readings.empty());
}

}  // namespace nightwatt
