// The mirror against a real server: each row once, whatever breaks, and the same figures as from the store.
#include <algorithm>
#include <catch2/catch.hpp>
#include <chrono>
#include <random>
#include <thread>

#include "copy_rows.hpp"
#include "figures/budget.hpp"
#include "figures/comparison.hpp"
#include "figures/figures.hpp"
#include "figures/run_json.hpp"
#include "measure/signal/time_text.hpp"
#include "mirror/fetched_store.hpp"
#include "postgres.hpp"
#include "rig.hpp"
#include "schema.hpp"
#include "server.hpp"
#include "storage/rows.hpp"
#include "text/sink.hpp"
#include "troubles.hpp"

namespace nightwatt::mirror::test {
namespace {

/// Digits that no usual meter gives: each is a number of its own to the mirror.
std::vector<Reading> odd_readings() {
  std::vector<Reading> readings;
  for (const Decimal value :
       {Decimal{0, 0}, Decimal{0, -3}, Decimal{-7, -1}, Decimal{10'000, -4}, Decimal{-12'345'678, -5},
        Decimal{8'999'999'999'999'999, -6}, Decimal{1, -9}, Decimal{25, 8}, Decimal{40'000, 0}}) {
    Reading reading;
    reading.time = UtcTime{night_us + static_cast<std::int64_t>(readings.size()) * second_us};
    reading.values.set(Quantity::power, value);
    readings.push_back(reading);
  }
  return readings;
}

std::string summary_of(const storage::StoreReader& store, storage::RunId run) {
  auto record = must(figures::run_record(store, must(store.run(run)), storage::Sketches::all));
  const auto budgets = must(figures::run_budgets(store, record));
  record.info.id = 0;  // the mirror's numbers and meters are its own
  record.info.meter.reset();
  return text::json_string([&](text::JsonWriter& json) { figures::write_summary(json, record, &budgets); });
}

std::string table_of(const storage::StoreReader& store) {
  auto all = must(figures::comparison_of(store, {}));
  for (auto& row : all.rows) row.runs.clear();
  return text::json_string([&](text::JsonWriter& json) { figures::write_comparison(json, all); });
}

}  // namespace

TEST_CASE("a packed row reads back as it was, and damage is refused") {
  const storage::Row row{"run",
                         {{"id", std::int64_t{-7}},
                          {"device", std::string("a\tb\"c")},
                          {"end_us", std::monostate{}},
                          {"note", storage::Blob{std::string("\0\xff", 2)}},
                          {"resolution_w", 0.1}}};
  const std::string bytes = storage::packed_row(row);
  CHECK(must(storage::unpacked_row(bytes)) == row);
  for (std::size_t cut = 0; cut < bytes.size(); ++cut) CHECK_FALSE(storage::unpacked_row(bytes.substr(0, cut)));
  CHECK_FALSE(storage::unpacked_row(storage::packed_row({"sqlite_schema", {{"name", std::string("x")}}})));
  CHECK_FALSE(storage::unpacked_row(storage::packed_row({"run", {{"id) VALUES (1); --", std::string("x")}}})));
}

// The bytes are PostgreSQL 15's own: COPY (VALUES (...)) TO STDOUT (FORMAT binary) of the same three rows.
TEST_CASE("rows for COPY are the bytes that PostgreSQL itself writes, digits after the point and all") {
  std::vector<Reading> rows(3);
  rows[0].time = UtcTime{1'767'646'800'250'000};  // 2026-01-05T21:00:00.25Z
  rows[0].values.set(Quantity::power, {2500, -2});
  rows[0].values.set(Quantity::reactive, {-705, -4});
  rows[1].time = UtcTime{946'684'799'000'000};  // 1999-12-31T23:59:59Z
  rows[1].values.set(Quantity::power, {8'999'999'999'999'999'999, -9});
  rows[2].time = UtcTime{1'767'646'801'000'000};
  rows[2].values.set(Quantity::power, {0, -3});
  rows[2].values.set(Quantity::reactive, {7000, 9});
  const CopyRows copy(rows);
  CHECK(copy.columns() == "at, power_w, reactive_var");
  std::string bytes(CopyRows::header());
  for (const Reading& row : rows) copy.add(row, bytes);
  bytes += CopyRows::trailer();
  CHECK(bytea(bytes) ==
        "\\x"
        "5047434f50590aff0d0a0000000000000000000003000000080002eaa91c6624900000000a0001000000000002001900"
        "00000a0001ffff4000000402c1000300000008fffffffffff0bdc00000001400060002000000090059270f270f270f27"
        "0f2328ffffffff0003000000080002eaa91c7196400000000800000000000000030000000a00010003000000000007ff"
        "ff");
}

TEST_CASE("what a store has is in the mirror row for row, and gives the same figures to the last digit") {
  const auto server = Postgres::start();
  if (!server) return;
  const Folder folder;
  auto store = must(storage::StoreWriter::open(folder.store(), {}));
  const auto first = record(store, "bench", "Gannet board", night(night_us, 1, 3000), true);
  const auto second = record(store, "shelf", "Puffin mini", night(night_us - 20 * 86'400 * second_us, 2, 2500), true);
  const auto open = record(store, "bench", "Skua tower", night(night_us + 4000 * second_us, 3, 2000), false);
  must(store.begin());
  must(store.apply(storage::AppendReadings{
      1, night(night_us + 7000 * second_us, 4, 500)}));  // behind what the open run's state knows
  must(store.apply(storage::AppendReadings{must(store.stream_for_meter("odd")), odd_readings()}));
  // The clock is put an hour forward during the first run, and back during the open one.
  must(store.apply(storage::PutUtcOffset{1, UtcTime{night_us + 1000 * second_us}, Duration(3600 * second_us)}));
  must(store.apply(storage::PutUtcOffset{1, UtcTime{night_us + 5000 * second_us}, Duration(0)}));
  must(store.apply(
      storage::Mark{0, first, std::nullopt, UtcTime{night_us + 100 * second_us}, "it's \"quoted\"", std::nullopt}));
  must(store.commit());
  const std::int64_t copied = mirror_once(server->conninfo(), folder.store(), "north-hut");
  const std::string expected = lines_of(folder.store());
  CHECK(copied == 1 + std::count(expected.begin(), expected.end(), '\n'));
  CHECK(lines_of(*server, "north-hut") == expected);
  CHECK(mirror_once(server->conninfo(), folder.store(), "north-hut") == 0);
  CHECK(lines_of(*server, "north-hut") == expected);
  CHECK(server->sql("SELECT text FROM nightwatt.mark") == "it's \"quoted\"");
  CHECK(server->sql("SELECT count(*) FROM nightwatt.event") == "3");
  CHECK(server->sql("SELECT count(*) FROM pg_inherits WHERE inhparent = 'nightwatt.reading'::regclass") ==
        "2");  // two months

  auto fetched = must(FetchedStore::fetch(server->conninfo()));
  must(fetched.fetch_readings({first, second, open}));
  const auto copy = must(storage::StoreReader::open(fetched.path()));
  for (const auto run : {first, second, open}) CHECK(summary_of(copy, run) == summary_of(store.reader(), run));
  CHECK(table_of(copy) == table_of(store.reader()));
  CHECK(must(copy.run(first)).meter == "north-hut/bench");
  CHECK(server->sql("SELECT extract(epoch FROM begin_at)::bigint FROM nightwatt.run WHERE run = " +
                    std::to_string(first)) == std::to_string(night_us / second_us + 3600));
  // SQL alone gives what compare gives.
  const auto rows = must(figures::comparison_of(store.reader(), {})).rows;
  REQUIRE(rows.size() == 3);
  for (const auto& row : rows) {
    const auto idle =
        server->sql("SELECT idle_w, idle_uncertainty_w FROM nightwatt.compare WHERE device = '" + row.device + "'");
    CHECK(idle == text::exact_text(row.idle->value) + "|" + text::exact_text(row.idle->uncertainty));
  }
  std::string states;
  for (const auto& state : must(figures::run_record(store.reader(), must(store.reader().run(first)))).summary.states)
    states += (states.empty() ? "" : "\n") + text::exact_text(state.level.value) + "|" +
              text::exact_text(state.level.uncertainty) + "|" + std::to_string(state.segments.size());
  CHECK_FALSE(states.empty());
  CHECK(server->sql("SELECT level_w, uncertainty_w, times FROM nightwatt.state WHERE run = " + std::to_string(first)) ==
        states);
}

TEST_CASE(
    "two rigs that call their meters and devices alike are pooled, and told apart, whatever the database writes like") {
  const auto server = Postgres::start();
  if (!server) return;
  // IST is Israel's time where PostgreSQL reads it, and India's where it writes it.
  for (const char* setting :
       {"bytea_output = 'escape'", "datestyle = 'SQL, DMY'", "timezone = 'Asia/Kolkata'", "extra_float_digits = -9"})
    REQUIRE(server->sql(std::string("ALTER DATABASE rigs SET ") + setting, "postgres").empty());
  const Folder north, south;
  auto one = must(storage::StoreWriter::open(north.store(), {}));
  auto two = must(storage::StoreWriter::open(south.store(), {}));
  record(one, "bench", "Gannet board", night(night_us, 1, 3000), true);
  record(two, "bench", "Gannet board", night(night_us + 9000 * second_us, 2, 3000), true);
  mirror_once(server->conninfo(), north.store(), "north-hut");
  mirror_once(server->conninfo(), south.store(), "south-hut");
  auto fetched = must(FetchedStore::fetch(server->conninfo()));
  must(fetched.fetch_readings({}));
  const auto copy = must(storage::StoreReader::open(fetched.path()));
  CHECK(must(figures::comparison_of(copy, {{"1", "2"}, {}, {}})).rows.size() == 1);
  CHECK(must(figures::comparison_of(copy, {{"1", "2"}, {}, {}})).rows[0].runs.size() == 2);
  CHECK(must(copy.run(2)).meter == "south-hut/bench");
  CHECK(lines_of(*server, "south-hut") == lines_of(south.store()));
  for (const char* setting : {"datestyle", "timezone"})
    REQUIRE(server->sql(std::string("ALTER DATABASE rigs RESET ") + setting, "postgres").empty());
  CHECK_THAT(server->sql("SET timezone = 'UTC'; SELECT pg_get_expr(relpartbound, oid) FROM pg_class WHERE relname = "
                         "'reading_2026_01'"),
             Catch::Contains("('2026-01-01 00:00:00+00') TO ('2026-02-01 00:00:00+00')"));
}

TEST_CASE("a rig that is cut off at any moment loses nothing and doubles nothing") {
  const auto server = Postgres::start();
  if (!server) return;
  const Folder folder;
  auto store = must(storage::StoreWriter::open(folder.store(), {}));
  record(store, "bench", "Gannet board", night(night_us, 1, 100'000), true);
  record(store, "bench", "Puffin mini", night(night_us + 110'000 * second_us, 2, 60'000), true);
  const auto seed = std::random_device{}();
  INFO("seed " << seed);
  std::mt19937 random(seed);
  int cuts = 0;
  for (int i = 0; i < 24; ++i) {
    Cancellation cancellation;
    // Once most is copied a pass is short, and so must be the time until the cut.
    const auto longest_us = 400'000U >> (random() % 6);
    std::thread cutter([&, us = random() % longest_us] {
      const auto until = std::chrono::steady_clock::now() + std::chrono::microseconds(us);
      while (std::chrono::steady_clock::now() < until) std::this_thread::yield();
      if (i % 4 == 3)
        server->kill();
      else
        cancellation.end();
    });
    const auto done = mirror_once(server->conninfo(), folder.store(), "north-hut", cancellation);
    cutter.join();
    if (i % 4 == 3) server->run_again();
    if (!done) ++cuts;
  }
  CHECK(cuts > 5);
  mirror_once(server->conninfo(), folder.store(), "north-hut");
  CHECK(lines_of(*server, "north-hut") == lines_of(folder.store()));
  CHECK(server->sql("SELECT count(*) FROM nightwatt.run") == "2");
  CHECK(server->sql("SELECT sum(readings) = (SELECT count(*) FROM nightwatt.reading) FROM nightwatt.meter") == "t");
}

TEST_CASE("a server put back to an older state gets what it lost, once") {
  const auto server = Postgres::start();
  if (!server) return;
  const Folder folder;
  auto store = must(storage::StoreWriter::open(folder.store(), {}));
  record(store, "bench", "Gannet board", night(night_us, 1, 2000), true);
  mirror_once(server->conninfo(), folder.store(), "north-hut");
  REQUIRE(server->sql("CREATE DATABASE older TEMPLATE rigs", "postgres").empty());
  record(store, "bench", "Puffin mini", night(night_us + 4000 * second_us, 2, 2000), true);
  mirror_once(server->conninfo(), folder.store(), "north-hut");
  mirror_once(server->conninfo("older"), folder.store(), "north-hut");
  const std::string all = "SELECT * FROM nightwatt.reading ORDER BY stream, at";
  CHECK(server->sql(all, "older") == server->sql(all));
  const std::string runs = "SELECT number, run, device, print, summary FROM nightwatt.run ORDER BY number";
  CHECK(server->sql(runs, "older") == server->sql(runs));
}

TEST_CASE("a rig writes its own rows alone, and a store does not take another's place") {
  const auto server = Postgres::start();
  if (!server) return;
  const Folder north, south;
  auto one = must(storage::StoreWriter::open(north.store(), {}));
  auto two = must(storage::StoreWriter::open(south.store(), {}));
  record(one, "bench", "Gannet board", night(night_us, 1, 1000), true);
  record(two, "bench", "Gannet board", night(night_us + 1, 2, 1000), true);
  {
    Cancellation cancellation;
    auto owner = must(Server::connect(server->conninfo(), cancellation));
    must(prepare_schema(owner));
  }
  REQUIRE(server->sql("CREATE ROLE north LOGIN IN ROLE nightwatt_rig").empty());
  REQUIRE(server->sql("CREATE ROLE south LOGIN IN ROLE nightwatt_rig").empty());
  REQUIRE(server->sql("CREATE ROLE guest LOGIN IN ROLE nightwatt_reader").empty());
  CHECK(mirror_once(server->conninfo("rigs", "north"), north.store(), "north-hut") > 900);
  Cancellation cancellation;
  const auto taken = mirror_once(server->conninfo("rigs", "south"), south.store(), "north-hut", cancellation);
  REQUIRE_FALSE(taken);
  CHECK_THAT(taken.error().message, Catch::Contains("another role"));
  const auto other_store = mirror_once(server->conninfo("rigs", "north"), south.store(), "north-hut", cancellation);
  REQUIRE_FALSE(other_store);
  CHECK_THAT(other_store.error().message, Catch::Contains("another store"));
  CHECK(mirror_once(server->conninfo("rigs", "south"), south.store(), "south-hut") > 900);

  auto thief = must(Server::connect(server->conninfo("rigs", "south"), cancellation));
  const std::string before = lines_of(*server, "north-hut");
  must(thief.tell("DELETE FROM nightwatt.reading WHERE rig = 1"));  // sees none that it may delete
  must(thief.tell("UPDATE nightwatt.run SET device = 'mine'"));
  CHECK_FALSE(thief.tell("INSERT INTO nightwatt.reading (rig, stream, at, power_w) VALUES (1, 1, '2026-01-05', 1)"));
  CHECK_FALSE(
      thief.tell("INSERT INTO nightwatt.reading_2026_01 (rig, stream, at, power_w) VALUES (1, 1, '2026-01-05', 1)"));
  CHECK_FALSE(thief.tell("DROP TABLE nightwatt.reading"));
  CHECK(lines_of(*server, "north-hut") == before);
  CHECK(server->sql("SELECT device FROM nightwatt.run WHERE rig = 1") == "Gannet board");
  auto guest = must(Server::connect(server->conninfo("rigs", "guest"), cancellation));
  CHECK(must(guest.ask("SELECT count(*) FROM nightwatt.reading")).front()[0] != "0");
  CHECK_FALSE(guest.tell("DELETE FROM nightwatt.reading"));
  CHECK(must(FetchedStore::fetch(server->conninfo("rigs", "guest"))).path() != "");
}

TEST_CASE("older tables are brought up to date with what is in them, in one transaction or not at all") {
  const auto server = Postgres::start();
  if (!server) return;
  const Folder folder;
  auto store = must(storage::StoreWriter::open(folder.store(), {}));
  record(store, "bench", "Gannet board", night(night_us, 1, 1000), true);
  mirror_once(server->conninfo(), folder.store(), "north-hut");
  const std::string before = lines_of(*server, "north-hut");
  Cancellation cancellation;
  auto owner = must(Server::connect(server->conninfo(), cancellation));
  std::vector<std::string_view> migrations(all_migrations().begin(), all_migrations().end());
  migrations.emplace_back("ALTER TABLE nightwatt.rig ADD COLUMN hut text NOT NULL DEFAULT 'north'");
  const auto newest = std::to_string(migrations.size());
  must(prepare_schema(owner, migrations));
  CHECK(server->sql("SELECT number, hut FROM nightwatt.version, nightwatt.rig") == newest + "|north");
  CHECK(lines_of(*server, "north-hut") == before);
  // The first of two goes well, the second does not: neither was.
  migrations.emplace_back("ALTER TABLE nightwatt.rig ADD COLUMN shelf text");
  migrations.emplace_back("ALTER TABLE nightwatt.nothing ADD COLUMN shelf text");
  CHECK_FALSE(prepare_schema(owner, migrations));
  CHECK(server->sql("SELECT number FROM nightwatt.version") == newest);
  CHECK(server->sql("SELECT count(*) FROM pg_attribute WHERE attrelid = 'nightwatt.rig'::regclass AND attname = "
                    "'shelf'") == "0");
}

TEST_CASE("trouble that lasts is said once, and waited out longer and longer, until something went well") {
  using std::chrono::seconds;
  Troubles troubles;
  CHECK_FALSE(troubles.any());
  std::vector<std::int64_t> pauses;
  int said = 0;
  for (int i = 0; i < 9; ++i) {
    if (troubles.met("no space left")) ++said;
    pauses.push_back(troubles.pause().count());
  }
  CHECK(said == 1);
  CHECK(pauses == std::vector<std::int64_t>{1, 2, 4, 8, 16, 32, 60, 60, 60});
  CHECK(troubles.met("the connection broke"));
  CHECK(troubles.any());
  troubles.got_on();  // a part of a week was brought: what is left is worth another try soon, and no line
  CHECK_FALSE(troubles.met("the connection broke"));
  CHECK(troubles.pause() == seconds(1));
  CHECK(troubles.over());
  CHECK_FALSE(troubles.over());
  CHECK(troubles.met("the connection broke"));
  CHECK(troubles.pause() == seconds(1));
}

TEST_CASE("a wrong password and a server that may only be read are one line, and cost lag alone, however it is named") {
  const auto server = Postgres::start();
  if (!server) return;
  const Folder folder;
  auto store = must(storage::StoreWriter::open(folder.store(), {}));
  record(store, "bench", "Gannet board", night(night_us, 1, 1000), true);
  mirror_once(server->conninfo(), folder.store(), "north-hut");
  const std::string before = lines_of(*server, "north-hut");
  record(store, "bench", "Puffin mini", night(night_us + 4000 * second_us, 2, 1000), true);
  Cancellation cancellation;

  // That a server is gone is noticed by words of our own, in whichever of libpq's two forms it is named.
  const std::string words = server->conninfo();
  const std::string place = words.substr(words.find('/'), words.find(" dbname") - words.find('/'));
  const auto name_of = [&](const std::string& conninfo) {
    auto connection = must(Server::connect(conninfo, cancellation));
    return must(connection.ask("SHOW application_name")).front()[0].value_or("");
  };
  CHECK(name_of("postgresql:///rigs?user=postgres&host=" + place) == "nightwatt");
  CHECK(name_of(words) == "nightwatt");
  CHECK(name_of(words + " application_name=north") == "north");

  REQUIRE(server->sql("ALTER DATABASE rigs SET default_transaction_read_only = on").empty());
  const auto read_only = mirror_once(server->conninfo(), folder.store(), "north-hut", cancellation);
  REQUIRE_FALSE(read_only);
  CHECK_THAT(read_only.error().message, Catch::Contains("read-only"));
  CHECK(must(FetchedStore::fetch(server->conninfo())).path() != "");  // asking needs no more
  REQUIRE(server->sql("ALTER DATABASE rigs RESET default_transaction_read_only", "postgres").empty());

  REQUIRE(server->sql("CREATE ROLE keeper LOGIN SUPERUSER PASSWORD 'right'").empty());
  REQUIRE(server
              ->sql("COPY (VALUES ('local all keeper scram-sha-256'), ('local all all trust')) TO '" +
                    server->sql("SHOW hba_file") + "'")
              .empty());
  REQUIRE(server->sql("SELECT pg_reload_conf()") == "t");
  const auto as_keeper = [&](const std::string& password) {
    return mirror_once(server->conninfo("rigs", "keeper") + " password=" + password, folder.store(), "north-hut",
                       cancellation);
  };
  // The server takes its new rules when it gets to it.
  const auto limit = std::chrono::steady_clock::now() + std::chrono::seconds(20);
  auto wrong = as_keeper("hunter2");
  while (!wrong && wrong.error().message.find("password") == std::string::npos &&
         std::chrono::steady_clock::now() < limit)
    wrong = as_keeper("hunter2");
  REQUIRE_FALSE(wrong);
  CHECK_THAT(wrong.error().message, Catch::Contains("password authentication failed"));
  CHECK_THAT(wrong.error().message, !Catch::Contains("hunter2"));
  CHECK(wrong.error().message.find('\n') == std::string::npos);
  CHECK(lines_of(*server, "north-hut") == before);
  mirror_once(server->conninfo(), folder.store(), "north-hut");
  CHECK(lines_of(*server, "north-hut") == lines_of(folder.store()));
}

TEST_CASE("tables of a newer program, no mirror and no server are one line each") {
  const auto server = Postgres::start();
  if (!server) return;
  const auto none = FetchedStore::fetch(server->conninfo());
  REQUIRE_FALSE(none);
  CHECK(none.error().kind == ErrorKind::negative);
  Cancellation cancellation;
  auto owner = must(Server::connect(server->conninfo(), cancellation));
  must(prepare_schema(owner));
  must(prepare_schema(owner));
  must(owner.tell("UPDATE nightwatt.version SET number = 99"));
  const auto newer = prepare_schema(owner);
  REQUIRE_FALSE(newer);
  CHECK_THAT(newer.error().message, Catch::Contains("update this program"));
  const auto nobody = FetchedStore::fetch("host=/nonexistent dbname=x");
  REQUIRE_FALSE(nobody);
  CHECK(nobody.error().kind == ErrorKind::unusable);
  CHECK(nobody.error().message.find('\n') == std::string::npos);
  for (const char* unreadable : {"host=/nonexistent password=two words", "host=/nonexistent passwort=words",
                                 "postgresql://rig@[words/x", "host=/nonexistent password='words"}) {
    const auto refused = FetchedStore::fetch(unreadable);
    REQUIRE_FALSE(refused);
    INFO(refused.error().message);
    CHECK_THAT(refused.error().message, Catch::Contains("libpq does not know") && !Catch::Contains("=words") &&
                                            !Catch::Contains("\"words") && !Catch::Contains("[words"));
  }
}

}  // namespace nightwatt::mirror::test
