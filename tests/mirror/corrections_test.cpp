// What happens to a store after its rows were mirrored: it is corrected by commands, it gives readings up, a newer
// program tells more of it. And what commands say of the mirror is what they say of the store.
#include <sqlite3.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <chrono>
#include <filesystem>
#include <fstream>
#include <functional>
#include <iterator>
#include <thread>

#include "mirror/mirror.hpp"
#include "rig.hpp"
#include "tools/query/run_command.hpp"

namespace nightwatt::mirror::test {
namespace {

struct Answer {
  int status = 0;
  std::string out, err;
};

Answer ask(std::vector<std::string> words) {
  query::Environment environment;
  environment.now = [] { return UtcTime{night_us + 100'000 * second_us}; };
  Answer answer;
  text::Sink out(answer.out), err(answer.err);
  answer.status = query::run_command(words, out, err, environment);
  return answer;
}

/// The mirror calls a meter RIG/METER.
std::string without_rig(std::string text) {
  const std::string rig = "north-hut/";
  for (std::size_t at = text.find(rig); at != std::string::npos; at = text.find(rig, at)) text.erase(at, rig.size());
  return text;
}

std::string text_of(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

std::string of_store(const Folder& folder, std::vector<std::string> words) {
  words.insert(words.begin(), {"--store", folder.store()});
  const Answer answer = ask(words);
  INFO(answer.err);
  CHECK(answer.status == 0);
  return answer.out;
}

std::string of_mirror(const Postgres& server, std::vector<std::string> words) {
  words.insert(words.begin(), {"--mirror", server.conninfo()});
  const Answer answer = ask(words);
  INFO(answer.err);
  CHECK(answer.status == 0);
  return without_rig(answer.out);
}

void say(const Folder& folder, std::vector<std::string> words) {
  (void)of_store(folder, std::move(words));
}

/// Whether no reader holds a moment of the store that a checkpoint would have to spare.
bool log_can_be_emptied(const std::string& path) {
  sqlite3* handle = nullptr;
  sqlite3_stmt* done = nullptr;
  const bool asked = sqlite3_open_v2(path.c_str(), &handle, SQLITE_OPEN_READWRITE, nullptr) == SQLITE_OK &&
                     sqlite3_prepare_v2(handle, "PRAGMA wal_checkpoint(TRUNCATE)", -1, &done, nullptr) == SQLITE_OK &&
                     sqlite3_step(done) == SQLITE_ROW;
  const bool busy = !asked || sqlite3_column_int(done, 0) != 0;
  sqlite3_finalize(done);
  sqlite3_close(handle);
  return !busy;
}

/// The runs' figures as the server has them, without the rig's own.
std::string summaries(const Postgres& server) {
  return server.sql("SELECT run, device, summary FROM nightwatt.run ORDER BY run");
}

/// All that the mirror has is what a mirror made at once of the store as it is now would have.
void check_as_if_new(const Postgres& server, const Folder& folder) {
  mirror_once(server.conninfo(), folder.store(), "north-hut");
  REQUIRE(server.sql("CREATE DATABASE fresh", "postgres").empty());
  mirror_once(server.conninfo("fresh"), folder.store(), "north-hut");
  for (const char* rows :
       {"SELECT run, device, origin, begin_at, end_at, pinned, print, summary FROM nightwatt.run ORDER BY run",
        "SELECT * FROM nightwatt.segment ORDER BY run, place", "SELECT * FROM nightwatt.run_row ORDER BY run, place",
        "SELECT * FROM nightwatt.mark ORDER BY mark", "SELECT * FROM nightwatt.note_row ORDER BY place",
        "SELECT * FROM nightwatt.event ORDER BY event"}) {
    INFO(rows);
    CHECK_FALSE(server.sql(rows).empty());
    CHECK(server.sql(rows) == server.sql(rows, "fresh"));
  }
  REQUIRE(server.sql("DROP DATABASE fresh", "postgres").empty());
}

}  // namespace

TEST_CASE("compare, runs, summary and report say of the mirror what they say of the store, to the last digit") {
  const auto server = Postgres::start();
  if (!server) return;
  const Folder folder;
  {
    auto store = must(storage::StoreWriter::open(folder.store(), {}));
    record(store, "bench", "Gannet board", night(night_us, 1, 3000), true);
    record(store, "bench", "Puffin mini", night(night_us + 4000 * second_us, 2, 3000), true);
    record(store, "bench", "Gannet board", night(night_us + 8000 * second_us, 3, 3000), true);
    record(store, "shelf", "Skua tower", night(night_us + 8000 * second_us, 4, 2000), false);
  }
  mirror_once(server->conninfo(), folder.store(), "north-hut");
  const std::vector<std::vector<std::string>> questions = {
      {"compare"},        {"compare", "--json", "--all"}, {"compare", "1", "3"},        {"compare", "--format", "csv"},
      {"runs", "--json"}, {"summary", "1", "--json"},     {"summary", "2", "--budget"}, {"summary", "4"}};
  for (const auto& words : questions) {
    INFO(words[0] << " " << (words.size() > 1 ? words[1] : ""));
    const std::string store = of_store(folder, words);
    CHECK(store.size() > 100);
    CHECK(of_mirror(*server, words) == store);
  }
  const std::string page = folder.path() + "/page.html", page_of_mirror = folder.path() + "/page-of-mirror.html";
  (void)of_store(folder, {"report", "-o", page});
  (void)of_mirror(*server, {"report", "-o", page_of_mirror});
  const std::string text = without_rig(text_of(page_of_mirror));
  CHECK(text.size() > 10'000);
  CHECK(text == text_of(page));
}

TEST_CASE("what is corrected or dropped in the store is so in the mirror, and all figures by a newer program") {
  const auto server = Postgres::start();
  if (!server) return;
  const Folder folder;
  {
    auto store = must(storage::StoreWriter::open(folder.store(), {}));
    record(store, "bench", "Ganet bord", night(night_us, 1, 3000), true);
    record(store, "bench", "Puffin mini", night(night_us + 4000 * second_us, 2, 3000), true);
    record(store, "bench", "Skua tower", night(night_us + 8000 * second_us, 3, 1000), true);
  }
  say(folder, {"mark", "lamp on", "--run", "1", "--at", "2026-01-05T21:20:00Z"});
  mirror_once(server->conninfo(), folder.store(), "north-hut");
  CHECK(server->sql("SELECT text FROM nightwatt.mark") == "lamp on");
  say(folder, {"name", "1", "Gannet board"});
  say(folder, {"mark", "--remove", "--run", "1", "--at", "2026-01-05T21:20:00Z"});
  say(folder, {"mark", "door open", "--run", "2", "--at", "2026-01-05T22:20:00Z"});
  say(folder, {"set", "1", "--set", "battery=full"});
  say(folder, {"split", "2", "--at", "2026-01-05T22:30:00Z"});
  say(folder, {"drop", "3"});
  check_as_if_new(*server, folder);
  CHECK(server->sql("SELECT run, device FROM nightwatt.run ORDER BY run") == "1|Gannet board\n2|Puffin mini\n4|");
  CHECK(server->sql("SELECT text FROM nightwatt.mark") == "door open");

  // A program of another version of the figures was here before.
  const std::string told = summaries(*server);
  REQUIRE(
      server->sql("UPDATE nightwatt.run SET print = split_part(print, '/', 1) || '/7/0.0.1', summary = '{}'").empty());
  CHECK(summaries(*server) != told);
  mirror_once(server->conninfo(), folder.store(), "north-hut");
  CHECK(summaries(*server) == told);
}

TEST_CASE("readings that gave way to minutes on the rig stay in the mirror, and new ones join them") {
  const auto server = Postgres::start();
  if (!server) return;
  const Folder folder;
  storage::StoreSettings settings;
  settings.keep_raw_days = 0.05;
  auto store = must(storage::StoreWriter::open(folder.store(), settings));
  record(store, "bench", "Gannet board", night(night_us, 1, 40'000), true);
  mirror_once(server->conninfo(), folder.store(), "north-hut");
  const std::string all = lines_of(*server, "north-hut");
  bool more = true;
  while (more) {
    must(store.begin());
    more = must(store.retain(UtcTime{night_us + 40'000 * second_us}));
    must(store.commit());
  }
  REQUIRE(lines_of(folder.store()).size() < all.size() / 2);
  const auto later = night(night_us + 50'000 * second_us, 2, 1000);
  record(store, "bench", "Puffin mini", later, true);
  CHECK(mirror_once(server->conninfo(), folder.store(), "north-hut") == static_cast<std::int64_t>(later.size()));
  const std::string now = lines_of(*server, "north-hut");
  CHECK(now.substr(0, all.size()) == all);
  CHECK(std::count(now.begin(), now.end(), '\n') ==
        std::count(all.begin(), all.end(), '\n') + static_cast<std::ptrdiff_t>(later.size()));
}

TEST_CASE(
    "of what a power cut took from a rig after it was brought, only that stays in the mirror whose times nothing else "
    "has") {
  const auto server = Postgres::start();
  if (!server) return;
  const Folder folder;
  const std::string kept = folder.path() + "/kept.db";
  {
    auto store = must(storage::StoreWriter::open(folder.store(), {}));
    record(store, "bench", "Gannet board", night(night_us, 1, 1000), true);
  }
  std::filesystem::copy_file(folder.store(), kept);
  const auto recorded_further = [&](std::int64_t begin_s, std::uint32_t seed, int seconds) {
    auto store = must(storage::StoreWriter::open(folder.store(), {}));
    record(store, "bench", "Puffin mini", night(night_us + begin_s * second_us, seed, seconds), true);
  };
  const auto power_cut = [&] {
    for (const char* file : {"", "-wal", "-shm"}) std::filesystem::remove(folder.store() + file);
    std::filesystem::copy_file(kept, folder.store());
  };
  const auto events = [&] {
    auto store = must(storage::StoreReader::open(folder.store()));
    std::string text;
    for (const auto& event : must(store.events(UtcTime{0}, UtcTime{std::int64_t{1} << 60})))
      text += (text.empty() ? "" : "\n") + event.detail + "|" + std::to_string(event.at.us);
    return text;
  };
  recorded_further(1100, 2, 30);
  mirror_once(server->conninfo(), folder.store(), "north-hut");
  const std::string lost = lines_of(folder.store());

  // The machine's clock went on: the new ones come after those that the rig lost.
  power_cut();
  recorded_further(1200, 3, 40);
  mirror_once(server->conninfo(), folder.store(), "north-hut");
  const std::string now = lines_of(folder.store());
  const std::string common = lines_of(kept);
  CHECK(lines_of(*server, "north-hut") == lost + now.substr(common.size()));

  // It began earlier: the new ones have the times of those that were lost.
  for (const int seconds : {20, 90}) {
    power_cut();
    recorded_further(1099, 4, seconds);
    mirror_once(server->conninfo(), folder.store(), "north-hut");
    CHECK(lines_of(*server, "north-hut") == lines_of(folder.store()));
    CHECK(mirror_once(server->conninfo(), folder.store(), "north-hut") == 0);
  }
  CHECK(server->sql("SELECT sum(readings) = (SELECT count(*) FROM nightwatt.reading) FROM nightwatt.meter") == "t");
  CHECK(server->sql("SELECT detail, (extract(epoch FROM at) * 1000000)::bigint FROM nightwatt.event ORDER BY event") ==
        events());
  CHECK(server->sql("SELECT device FROM nightwatt.run ORDER BY run") == "Gannet board\nPuffin mini");
}

TEST_CASE("a server that answers nothing costs the recording nothing, one whose disk is full takes nothing by halves") {
  const auto server = Postgres::start();
  if (!server) return;
  const Folder folder;
  auto store = must(storage::StoreWriter::open(folder.store(), {}));
  record(store, "bench", "Gannet board", night(night_us, 1, 3000), true);
  mirror_once(server->conninfo(), folder.store(), "north-hut");
  const std::string before = lines_of(*server, "north-hut");

  // As PostgreSQL says it where a table's file cannot grow: error 53100.
  REQUIRE(server
              ->sql("CREATE FUNCTION nightwatt.no_room() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN IF NEW.at > "
                    "''2026-01-05 22:20Z'' THEN RAISE disk_full; END IF; RETURN NEW; END'; CREATE TRIGGER no_room "
                    "BEFORE INSERT ON nightwatt.reading FOR EACH ROW EXECUTE FUNCTION nightwatt.no_room()")
              .empty());
  const auto second = record(store, "bench", "Puffin mini", night(night_us + 4000 * second_us, 2, 3000), true);
  Cancellation cancellation;
  const auto full = mirror_once(server->conninfo(), folder.store(), "north-hut", cancellation);
  REQUIRE_FALSE(full);
  CHECK_THAT(full.error().message, Catch::Contains("disk_full"));
  CHECK(lines_of(*server, "north-hut") == before);
  REQUIRE(server->sql("DROP TRIGGER no_room ON nightwatt.reading").empty());

  auto holder = must(Server::connect(server->conninfo(), cancellation));
  must(holder.run("BEGIN; LOCK TABLE nightwatt.meter"));
  Mirror mirror({server->conninfo(), "north-hut", folder.store()}, [](Mirror::Tone, const std::string&) {});
  mirror.start();
  const auto comes = [](const std::function<bool()>& what) {
    const auto limit = std::chrono::steady_clock::now() + std::chrono::seconds(20);
    while (!what() && std::chrono::steady_clock::now() < limit) std::this_thread::yield();
    return what();
  };
  REQUIRE(comes([&] { return mirror.status().connected; }));
  // What is recorded meanwhile goes in without a wait for the mirror: had it to wait, this would never end.
  const auto third = record(store, "bench", "Skua tower", night(night_us + 8000 * second_us, 3, 3000), true);
  CHECK_FALSE(mirror.status().up_to_date);
  CHECK_FALSE(mirror.status().last_good);
  CHECK(lines_of(*server, "north-hut") == before);
  // Readings go over, and a run waits: no page of the store is held for it, or the rig's log would grow with every
  // commit.
  auto other_holder = must(Server::connect(server->conninfo(), cancellation));
  must(other_holder.run("BEGIN; LOCK TABLE nightwatt.run"));
  must(holder.run("COMMIT"));
  REQUIRE(comes([&] {
    return server->sql("SELECT count(*) FROM pg_locks WHERE NOT granted AND relation = 'nightwatt.run'::regclass") ==
           "1";
  }));
  CHECK(log_can_be_emptied(folder.store()));
  must(other_holder.run("COMMIT"));
  CHECK(comes([&] { return mirror.status().up_to_date; }));
  mirror.stop();
  CHECK(lines_of(*server, "north-hut") == lines_of(folder.store()));
  CHECK(server->sql("SELECT max(run) FROM nightwatt.run") == std::to_string(std::max(second, third)));
}

}  // namespace nightwatt::mirror::test
