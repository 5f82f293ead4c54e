// nightwatt-sim's Modbus meter read by an independent master: libmodbus, over the pseudo-terminal.
#include <modbus.h>

#include <catch2/catch.hpp>
#include <cerrno>

#include "harness.hpp"

namespace nightwatt::process {
namespace {

constexpr const char* profile = R"(protocol = "modbus-rtu"
[modbus-rtu]
unit = 17
[[read]]
quantity = "power"
function = 4
register = 12
type = "float32"
order = "abcd"
[[read]]
quantity = "voltage"
function = 4
register = 14
type = "float32"
order = "dcba"
[[read]]
quantity = "frequency"
function = 3
register = 107
type = "u16"
scale = 0.1
resolution = 0.1
[[read]]
quantity = "energy"
function = 3
register = 108
type = "u32"
)";

class Master {
 public:
  explicit Master(const std::string& port) : context_(modbus_new_rtu(port.c_str(), 19200, 'N', 8, 1)) {
    modbus_set_slave(context_, 17);
    modbus_set_response_timeout(context_, 0, 500'000);
    connected_ = modbus_connect(context_) == 0;
  }
  ~Master() {
    modbus_close(context_);
    modbus_free(context_);
  }
  Master(const Master&) = delete;
  Master& operator=(const Master&) = delete;
  [[nodiscard]] bool connected() const { return connected_; }
  modbus_t* operator*() { return context_; }

 private:
  modbus_t* context_;
  bool connected_ = false;
};

TEST_CASE("libmodbus reads the simulated meter's registers and is refused the others") {
  Bench bench(profile);
  bench.start_meter("voltage 229.5\nfrequency 50.1\nenergy 70000\nlevel 24.5 for 1h\n", 1.0);
  Master master(bench.dir().path("port"));
  REQUIRE(master.connected());
  std::uint16_t words[4] = {};
  REQUIRE(modbus_read_input_registers(*master, 12, 4, words) == 4);
  CHECK(modbus_get_float_abcd(words) == 24.5F);
  CHECK(modbus_get_float_dcba(words + 2) == 229.5F);
  REQUIRE(modbus_read_registers(*master, 107, 3, words) == 3);
  CHECK(words[0] == 501);
  CHECK((std::uint32_t{words[1]} << 16 | words[2]) == 70000);

  CHECK(modbus_read_input_registers(*master, 13, 4, words) == -1);
  CHECK(errno == EMBXILADD);  // exception 2, illegal data address
  std::uint8_t bit = 0;
  CHECK(modbus_read_bits(*master, 0, 1, &bit) == -1);
  CHECK(errno == EMBXILFUN);  // exception 1, illegal function
  modbus_set_slave(*master, 18);
  CHECK(modbus_read_input_registers(*master, 12, 4, words) == -1);
  CHECK(errno == ETIMEDOUT);  // another unit: silence
}

}  // namespace
}  // namespace nightwatt::process
