// What a person was told is done is done, whatever becomes of the machine a moment later.
#include <catch2/catch.hpp>
#include <filesystem>
#include <string>
#include <vector>

#include "sim_disk.hpp"
#include "storage/store.hpp"
#include "tools/query/run_command.hpp"

using namespace nightwatt;

// Found in seed 830016 of 60 minutes and 120 faults: a name was taken away, the power failed, and it was back.
TEST_CASE("world: what a command said is done outlasts a power cut right after it") {
  world::SimDisk disk(1);
  const std::string path = disk.path("store.db");
  world::Random random(1);
  for (int i = 0; i < 12; ++i) {
    for (const char* suffix : {"", "-wal", "-shm", "-lock"}) std::filesystem::remove(path + suffix);
    std::filesystem::copy_file(std::string(NIGHTWATT_TEST_DATA) + "/store-version-7.db", path);
    // Who closes a store as the last one brings the log into it; the service has it open as well.
    const auto service = storage::StoreWriter::open(path, {});
    std::string said;
    query::Sink out(said), err(said);
    const std::vector<std::string> words = {"--store", path, "name", "1", "Razorbill board"};
    REQUIRE(query::run_command(words, out, err, {}) == 0);
    disk.lose_power(random);
    const auto store = storage::StoreReader::open(path);
    REQUIRE(store);
    CAPTURE(i);
    CHECK(store->run(1)->device == "Razorbill board");
  }
}
