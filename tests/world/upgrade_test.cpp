// An older store that is brought up to date while the process dies, or the power goes: nothing is lost, and it goes on.
#include <catch2/catch.hpp>
#include <filesystem>
#include <string>

#include "figures/store_proof.hpp"
#include "sim_disk.hpp"
#include "storage/store.hpp"
#include "tests/storage/answers.hpp"

using namespace nightwatt;
using namespace nightwatt::storage;
using namespace nightwatt::storage::test;
using world::DiskCall;
using world::DiskTrouble;
using world::SimDisk;

namespace {

namespace fs = std::filesystem;

enum class Cut : std::uint8_t { process_dies, power_goes };

void copy_fixture(const std::string& to, int version) {
  for (const char* suffix : {"", "-wal", "-shm", "-lock"}) fs::remove(to + suffix);
  fs::copy_file(std::string(NIGHTWATT_TEST_DATA) + "/store-version-" + std::to_string(version) + ".db", to);
}

bool changes_the_disk(DiskCall call) {
  return call == DiskCall::write || call == DiskCall::truncate || call == DiskCall::sync || call == DiskCall::remove;
}

/// Opens the store for writing and leaves it; the cut comes instead of the change of the disk with the number `at`. How
/// many changes there were.
int upgrade(SimDisk& disk, const std::string& path, Cut cut, int at, world::Random& random) {
  int changes = 0;
  disk.on_call = [&](DiskCall call, std::string_view) -> std::optional<DiskTrouble> {
    if (!changes_the_disk(call) || changes++ != at) return std::nullopt;
    if (cut == Cut::power_goes)
      disk.lose_power(random);
    else
      disk.kill();
    return DiskTrouble{};
  };
  (void)StoreWriter::open(path, {});
  disk.on_call = {};
  return changes;
}

/// Cut at every `stride`th change, from the one with the number `first` on; how many cuts those were.
int require_upgrade_goes_on(int version, Cut cut, int first, int stride) {
  SimDisk disk(1);
  const std::string path = disk.path("store.db");
  copy_fixture(path, version);
  const std::string wanted = answers(path);
  int cuts = 0;
  for (int at = first;; at += stride, ++cuts) {
    CAPTURE(version, static_cast<int>(cut), at);
    copy_fixture(path, version);
    world::Random random(static_cast<std::uint64_t>(at));
    const bool reached = upgrade(disk, path, cut, at, random) > at;
    REQUIRE(answers(path) == wanted);
    const StoreWriter again = must(StoreWriter::open(path, {}));
    REQUIRE(must(again.reader().check(figures::prove_run)).ok);
    REQUIRE(answers(path) == wanted);
    if (!reached) return cuts;
  }
}

}  // namespace

TEST_CASE("an upgrade in which the process dies, or the power goes, goes on when the store is opened next") {
  const Cut cut = GENERATE(Cut::process_dies, Cut::power_goes);
  constexpr int stride = 47;
  for (const int version : {1, 2, 3, 4, 5, 6, 7}) CHECK(require_upgrade_goes_on(version, cut, version, stride) > 0);
}

// Some ten seconds: by hand, as `test_world "[by hand]"`.
TEST_CASE("an upgrade goes on at whichever change of the disk it was cut", "[.][by hand]") {
  const Cut cut = GENERATE(Cut::process_dies, Cut::power_goes);
  const int version = GENERATE(1, 2, 3, 4, 5, 6, 7);
  const int cuts = require_upgrade_goes_on(version, cut, 0, 1);
  WARN("version " << version << (cut == Cut::power_goes ? ": power cut" : ": killed") << " at each of " << cuts
                  << " changes of the disk");
  CHECK(cuts > 12);
}
