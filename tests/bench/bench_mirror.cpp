// How fast a mirror catches up, beside `psql \copy` of the same rows into the same table on the same server, by the
// same role.
#include <chrono>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <random>

#include "copier.hpp"
#include "measure/signal/time_text.hpp"
#include "schema.hpp"
#include "server.hpp"
#include "storage/store.hpp"
#include "tests/mirror/postgres.hpp"

namespace {

using namespace nightwatt;
namespace fs = std::filesystem;
using Steady = std::chrono::steady_clock;

constexpr std::int64_t begin_us = 1'767'646'800'000'000;  // 2026-01-05T21:00:00Z
constexpr int readings = 1'000'000;                       // eleven days and a half at one a second
constexpr std::size_t batch = 10'000;

double seconds_since(Steady::time_point begin) {
  return std::chrono::duration<double>(Steady::now() - begin).count();
}

template <class T>
T must(Result<T> result) {
  if (result) return std::move(*result);
  std::cerr << result.error().message << '\n';
  std::exit(1);
}
void must(const Result<void>& result) {
  if (result) return;
  std::cerr << result.error().message << '\n';
  std::exit(1);
}

/// Made-up and seeded: whole watts once a second with 3 % of neighbours different. The same rows as lines for psql.
void make_rows(const std::string& store_path, const std::string& lines_path) {
  auto store = must(storage::StoreWriter::open(store_path, {}));
  std::ofstream lines(lines_path);
  std::mt19937 random(1);
  std::int64_t watts = 25;
  std::vector<Reading> some;
  must(store.begin());
  const auto stream = must(store.stream_for_meter("bench"));
  for (int i = 0; i < readings; ++i) {
    if (random() % 100 < 3) watts = 20 + static_cast<std::int64_t>(random() % 40);
    Reading reading;
    reading.time = UtcTime{begin_us + std::int64_t{i} * 1'000'000};
    reading.values.set(Quantity::power, {watts, 0});
    lines << "2\t1\t" << utc_text(reading.time) << '\t' << watts << '\n';
    some.push_back(reading);
    if (some.size() < batch) continue;
    must(store.apply(storage::AppendReadings{stream, some}));
    some.clear();
  }
  must(store.apply(storage::AppendReadings{stream, some}));
  must(store.commit());
}

}  // namespace

int main() {
  const auto server = mirror::test::Postgres::start();
  if (!server) return 0;
  const fs::path folder =
      fs::temp_directory_path() / ("nightwatt-bench-mirror-" + std::to_string(std::random_device{}()));
  fs::create_directory(folder);
  make_rows(folder / "rig.db", folder / "lines");
  mirror::Cancellation cancellation;
  {
    auto owner = must(mirror::Server::connect(server->conninfo(), cancellation));
    must(mirror::prepare_schema(owner));
  }
  (void)server->sql("CREATE ROLE north LOGIN IN ROLE nightwatt_rig");
  const std::string rig = server->conninfo("rigs", "north");
  auto connection = must(mirror::Server::connect(rig, cancellation));
  auto store = must(storage::StoreReader::open(folder / "rig.db"));
  mirror::Copier copier(connection, store, "north-hut", [](const std::string& text) { std::cerr << text << '\n'; });
  must(copier.begin());
  auto begin = Steady::now();
  must(copier.pass(true, [] { return false; }));
  const double mirror_s = seconds_since(begin);

  // The peer: the superuser, since COPY is refused to a role that row-level security binds.
  (void)server->sql("INSERT INTO nightwatt.rig (name) VALUES ('peer')");
  begin = Steady::now();
  const std::string said =
      server->sql("\\copy nightwatt.reading (rig, stream, at, power_w) FROM '" + (folder / "lines").string() + "'");
  const double peer_s = seconds_since(begin);
  const std::string counts = server->sql("SELECT count(*) FROM nightwatt.reading GROUP BY rig");
  const std::string bytes = server->sql("SELECT sum(pg_total_relation_size(inhrelid)) FROM pg_inherits");
  std::cout << readings << " readings, each on the server twice now: " << counts << ' ' << said << '\n'
            << "  the mirror catches up     " << static_cast<long>(readings / mirror_s) << " readings/s\n"
            << "  psql \\copy of the same    " << static_cast<long>(readings / peer_s) << " rows/s\n"
            << "  on the server             " << std::stod(bytes) / (2.0 * readings)
            << " bytes a reading, index and all\n";
  fs::remove_all(folder);
  return 0;
}
