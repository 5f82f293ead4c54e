// The store in other hands while the service records: an import at work, and a program that never lets go.
#include <sqlite3.h>

#include <catch2/catch.hpp>
#include <csignal>
#include <filesystem>

#include "comparison.hpp"
#include "harness.hpp"

namespace nightwatt::process {
namespace {

constexpr const char* script = "voltage 229.8 noise 0.3\nnoise white 0.4\nenergy 12.5\nlevel 25 for 2h\n";
constexpr double late_limit_s = 1.0;

/// Holds the store's write lock as long as it lives.
class Holder {
 public:
  explicit Holder(const std::string& store) {
    REQUIRE(sqlite3_open(store.c_str(), &database_) == SQLITE_OK);
    sqlite3_busy_timeout(database_, 5000);
    REQUIRE(sqlite3_exec(database_, "BEGIN IMMEDIATE", nullptr, nullptr, nullptr) == SQLITE_OK);
  }
  ~Holder() { sqlite3_close(database_); }
  Holder(const Holder&) = delete;
  Holder& operator=(const Holder&) = delete;

 private:
  sqlite3* database_ = nullptr;
};

/// `least` readings or more are stored, every one that was sent between the first and the last of them, and the store
/// is sound.
void must_have_all(const Bench& bench, std::size_t least) {
  const auto sent = bench.sent();
  const auto stored = bench.stored();
  const Comparison comparison = compare(sent, stored, late_limit_s);
  REQUIRE(comparison.problem == "");
  REQUIRE(comparison.found.size() >= least);
  CHECK(not_stored(sent, comparison, comparison.found.front()->unix_s, comparison.found.back()->unix_s).empty());
  CHECK(bench.ask_json({"check"}).at("ok") == true);
}

TEST_CASE("a service told to stop while another program keeps the store locked ends in time and says what is lost") {
  Bench bench(line_profile(), "", 0.2);
  bench.start_meter(script, 50.0);
  bench.start_service();
  REQUIRE(eventually(10.0, [&] { return bench.readings() >= 20; }));
  const Holder holder(bench.store());
  REQUIRE(eventually(10.0, [&] { return bench.log().find("locked") != std::string::npos; }));
  CHECK(bench.stop_service() == 3);
  CHECK(bench.log().find("could not be stored") != std::string::npos);
}

TEST_CASE("a store locked for a while by another program costs no reading") {
  Bench bench(line_profile(), "", 0.2);
  bench.start_meter(script, 50.0);
  bench.start_service();
  REQUIRE(eventually(10.0, [&] { return bench.readings() >= 20; }));
  {
    const Holder holder(bench.store());
    REQUIRE(eventually(10.0, [&] { return bench.log().find("locked") != std::string::npos; }));
  }
  REQUIRE(eventually(15.0, [&] { return bench.log().find("recording goes on") != std::string::npos; }));
  CHECK(bench.stop_service() == 0);
  must_have_all(bench, 1);
}

TEST_CASE("a large import beside the recording costs no reading, and neither spoils the other") {
  Bench bench(line_profile(), "", 0.2);
  std::string night = "time,power_w\n";
  constexpr int imported = 400'000;
  for (int i = 0; i < imported; ++i) night += std::to_string(i) + (i / 600 % 2 == 0 ? ",5.0\n" : ",8.0\n");
  bench.dir().write("night.csv", night);
  bench.start_meter(script, 50.0);
  bench.start_service();
  REQUIRE(eventually(10.0, [&] { return bench.readings() >= 20; }));
  const auto answer = bench.ask_json({"import", bench.dir().path("night.csv"), "--device", "Gannet board"});
  CHECK(answer.at("samples") == imported);
  const long during = bench.readings();
  REQUIRE(eventually(10.0, [&] { return bench.readings() >= during + 20; }));
  CHECK(bench.stop_service() == 0);
  must_have_all(bench, 40);
}

TEST_CASE("a store deleted under the service is noticed: what is begun after it is in the file at the path") {
  Bench bench(line_profile(), "", 0.2);
  bench.start_meter(script, 50.0);
  bench.start_service();
  REQUIRE(eventually(10.0, [&] { return bench.readings() >= 20; }));
  for (const char* suffix : {"", "-wal", "-shm", "-lock"}) std::filesystem::remove(bench.store() + suffix);
  const auto begun = bench.ask_json({"begin", "Gannet board"});
  CHECK(bench.log().find("moved, deleted or replaced") != std::string::npos);
  REQUIRE(eventually(10.0, [&] { return bench.ask_json({"status"}).at("store").at("samples").get<long>() >= 20; }));
  CHECK(bench.ask({"status"}).out.find("store moved") != std::string::npos);
  CHECK(bench.ask_json({"end"}).at("run") == begun.at("run"));
  CHECK(bench.stop_service() == 0);
  CHECK(bench.ask_json({"runs"}).at("runs").at(0).at("device") == "Gannet board");
  must_have_all(bench, 20);
}

}  // namespace
}  // namespace nightwatt::process
