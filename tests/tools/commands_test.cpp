// The query tool's commands, in process: JSON shapes and exit statuses of the outside contract, and the words people
// read.
#include <unistd.h>

#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <functional>
#include <nlohmann/json.hpp>
#include <random>
#include <sstream>
#include <tuple>

#include "figures/run_recorder.hpp"
#include "storage/store.hpp"
#include "tests/run_sql.hpp"
#include "text/width.hpp"
#include "tools/query/run_command.hpp"

using namespace nightwatt;
using namespace nightwatt::query;
using Json = nlohmann::json;

namespace {

constexpr std::int64_t evening_s = 1'767'646'800;  // 2026-01-05T21:00:00Z

/// A folder of its own with a store and a configuration that names it; gone at the end.
class Bench {
 public:
  Bench() {
    std::string pattern = (std::filesystem::temp_directory_path() / "nightwatt-query-XXXXXX").string();
    REQUIRE(::mkdtemp(pattern.data()) != nullptr);
    folder_ = pattern;
    write("nightwatt.toml", "[store]\npath = \"store.db\"\n[control]\nsocket = \"control.sock\"\n");
  }
  ~Bench() { std::filesystem::remove_all(folder_); }
  Bench(const Bench&) = delete;
  Bench& operator=(const Bench&) = delete;

  [[nodiscard]] std::string path(const std::string& name) const { return folder_ + "/" + name; }
  std::string write(const std::string& name, const std::string& text) const {
    std::ofstream(path(name), std::ios::binary) << text;
    return path(name);
  }

  struct Answer {
    int status = 0;
    std::string out;
    std::string err;
  };
  [[nodiscard]] Answer operator()(Words words) const {
    words.insert(words.begin(), {"--config", path("nightwatt.toml")});
    Answer answer;
    Environment environment;
    environment.now = [this] { return now; };
    Sink out(answer.out), err(answer.err);
    answer.status = run_command(words, out, err, environment);
    return answer;
  }
  /// The JSON answer of a command that must succeed.
  [[nodiscard]] Json json(Words words) const {
    words.emplace_back("--json");
    const Answer answer = (*this)(std::move(words));
    INFO(answer.err);
    REQUIRE(answer.status == 0);
    CHECK(answer.err.empty());
    // The contract's: every document says first of what form it is.
    CHECK_THAT(answer.out, Catch::StartsWith("{\"format\": 1"));
    return Json::parse(answer.out);
  }

  UtcTime now{(evening_s + 86'400) * 1'000'000};

 private:
  std::string folder_;
};

/// A small device: off, idle at 1.60 W, ten minutes of load at 5.00 W, idle, with a hundredth of ripple.
std::string night(double idle_w = 1.6, double load_w = 5.0, std::int64_t begin_s = evening_s) {
  std::string text = "# a synthetic night at Skerry Point\ntime,power_w,voltage_v,energy_wh\n";
  double energy_wh = 12.0;
  for (int second = 0; second < 2400; ++second) {
    const double level = second < 120 ? 0.0 : second < 900 ? idle_w : second < 1500 ? load_w : idle_w;
    const double ripple = level == 0.0 ? 0.0 : (second % 3 - 1) * 0.01;
    energy_wh += level / 3600.0;
    char line[96];
    std::snprintf(line, sizeof line, "%lld.250,%.2f,230.%d,%.3f\n", static_cast<long long>(begin_s + second),
                  level + ripple, second % 10, energy_wh);
    text += line;
  }
  return text;
}

int imported(const Bench& bench, const std::string& device, double idle_w = 1.6, double load_w = 5.0) {
  const std::string file = bench.write("in.csv", night(idle_w, load_w));
  return bench.json({"import", file, "--device", device, "--resolution", "0.01", "--accuracy", "1% + 0.05W",
                     "--starting", "0.4"})["run"];
}

void has_keys(const Json& object, std::vector<std::string> keys) {
  for (const std::string& key : keys) {
    INFO(key);
    CHECK(object.contains(key));
  }
}

bool one_line(const std::string& text) {
  return !text.empty() && std::count(text.begin(), text.end(), '\n') == 1 && text.back() == '\n';
}

/// As a bit that flips on the disk: what is told of a run is another text, and its seal the old one.
void damage_run(const Bench& bench, int run) {
  nightwatt::test::run_sql(
      bench.path("store.db"),
      "CREATE TABLE kept AS SELECT id, seal FROM run; UPDATE run SET note = 'x' WHERE id = " + std::to_string(run) +
          "; UPDATE run SET seal = (SELECT seal FROM kept WHERE kept.id = run.id); DROP TABLE kept");
}

}  // namespace

TEST_CASE("a run whose row is damaged is left out of lists, and said to be, the others are there") {
  const Bench bench;
  imported(bench, "Gannet board");
  const int damaged = imported(bench, "Puffin mini", 1.8, 5.5);
  imported(bench, "Skua lamp", 2.0, 6.0);
  damage_run(bench, damaged);
  const auto runs = bench({"runs", "--json"});
  INFO(runs.err);
  REQUIRE(runs.status == 0);
  const Json listed = Json::parse(runs.out)["runs"];
  REQUIRE(listed.size() == 2);
  CHECK(listed[0]["device"] == "Gannet board");
  CHECK(listed[1]["device"] == "Skua lamp");
  CHECK_THAT(runs.err, Catch::Contains("run 2 is left out") && Catch::Contains("damaged"));
  const auto table = bench({"compare"});
  INFO(table.err);
  REQUIRE(table.status == 0);
  CHECK_THAT(table.out,
             Catch::Contains("Gannet board") && Catch::Contains("Skua lamp") && !Catch::Contains("Puffin mini"));
  CHECK_THAT(table.out + table.err, Catch::Contains("run 2 is left out"));
  CHECK(bench({"summary", std::to_string(damaged)}).status == 3);
  CHECK(bench({"summary", "1"}).status == 0);
  CHECK(bench({"check"}).status == 1);
}

TEST_CASE("salvage brings over what is sound and lists what is lost, it never writes over a file") {
  const Bench bench;
  imported(bench, "Gannet board");
  nightwatt::test::run_sql(bench.path("store.db"), "PRAGMA wal_checkpoint(TRUNCATE)");
  const Json whole = bench.json({"salvage", bench.path("store.db"), "-o", bench.path("whole.db")});
  has_keys(whole, {"file", "runs", "blocks", "samples", "marks", "lost", "remarks"});
  CHECK(whole["runs"] == 1);
  CHECK(whole["samples"] == 2400);
  CHECK(whole["lost"].empty());
  CHECK(bench({"salvage", bench.path("store.db"), "-o", bench.path("whole.db")}).status == 2);
  CHECK(bench({"summary", "1", "--store", bench.path("whole.db")}).status == 0);
  std::filesystem::resize_file(bench.path("store.db"), std::filesystem::file_size(bench.path("store.db")) / 2);
  const auto cut = bench({"salvage", bench.path("store.db"), "-o", bench.path("cut.db")});
  INFO(cut.out << cut.err);
  REQUIRE(cut.status == 0);
  CHECK_THAT(cut.out, Catch::Contains("lost:") || Catch::Contains("note:"));
  CHECK(bench({"check", "--store", bench.path("cut.db")}).status == 0);
  CHECK(bench({"salvage", bench.write("text", std::string(5'000, 'x')), "-o", bench.path("no.db")}).status == 1);
  CHECK_FALSE(std::filesystem::exists(bench.path("no.db")));
}

TEST_CASE("backup makes a verified copy that answers as the store does, and none of a store that is not sound") {
  const Bench bench;
  imported(bench, "Gannet board");
  const Json copy = bench.json({"backup", "-o", bench.path("copy.db")});
  has_keys(copy, {"file", "samples", "blocks"});
  CHECK(copy["samples"] == 2400);
  CHECK(bench.json({"summary", "1"}) == bench.json({"summary", "1", "--store", bench.path("copy.db")}));
  CHECK(bench({"backup", "-o", bench.path("copy.db")}).status != 0);
  damage_run(bench, 1);
  const auto refused = bench({"backup", "-o", bench.path("second.db")});
  CHECK(refused.status == 1);
  CHECK(one_line(refused.err));
  CHECK_FALSE(std::filesystem::exists(bench.path("second.db")));
}

/// The words behind the program's name in the unit that the package's timer starts.
Words words_of_backup_unit() {
  std::ifstream unit(NIGHTWATT_DOCS "/../config/systemd/nightwatt-backup.service.in");
  const std::string start = "ExecStart=";
  Words words;
  for (std::string line; std::getline(unit, line);) {
    if (line.rfind(start, 0) != 0) continue;
    std::istringstream rest(line.substr(start.size()));
    for (std::string word; rest >> word;) words.push_back(word);
  }
  REQUIRE(words.size() > 1);
  CHECK_THAT(words.front(), Catch::EndsWith("/nightwatt"));
  words.erase(words.begin());
  return words;
}

TEST_CASE("the package's timer keeps the newest fourteen copies, and a store that is not sound costs none of them") {
  Bench bench;
  imported(bench, "Gannet board");
  Words words = words_of_backup_unit();
  const std::string folder = bench.path("backup");
  const auto into = std::find(words.begin(), words.end(), "/var/lib/nightwatt/backup");
  REQUIRE(into != words.end());
  *into = folder;
  const auto names = [&] {
    std::vector<std::string> found;
    for (const auto& entry : std::filesystem::directory_iterator(folder)) found.push_back(entry.path().filename());
    std::sort(found.begin(), found.end());
    return found;
  };
  constexpr std::int64_t day_us = 86'400'000'000;
  bench.now = UtcTime{evening_s * 1'000'000};  // 2026-01-05T21:00:00Z
  REQUIRE(bench(words).status == 0);
  std::ofstream(folder + "/notes.txt") << "not a copy";
  for (int day = 1; day < 16; ++day) {
    bench.now.us += day_us;
    REQUIRE(bench(words).status == 0);
  }
  const std::vector<std::string> kept = names();
  REQUIRE(kept.size() == 14 + 1);
  CHECK(kept.front() == "nightwatt-20260107T210000Z.db");
  CHECK(kept[13] == "nightwatt-20260120T210000Z.db");
  CHECK(kept.back() == "notes.txt");
  // A clock that stands before the others': the copy just made is not the one that goes.
  bench.now = UtcTime{0};
  REQUIRE(bench(words).status == 0);
  CHECK(names().front() == "nightwatt-19700101T000000Z.db");
  CHECK(names()[1] == "nightwatt-20260108T210000Z.db");
  const std::vector<std::string> before = names();
  damage_run(bench, 1);
  bench.now.us += day_us;
  CHECK(bench(words).status == 1);
  CHECK(names() == before);
  CHECK(bench({"check", "--store", folder + "/" + before[1]}).status == 0);
}

TEST_CASE("an import says what became of the file") {
  const Bench bench;
  const std::string text = night();
  const std::string file = bench.write("night.csv", text + text.substr(text.rfind('\n', text.size() - 2) + 1));
  const Json answer = bench.json({"import", file, "--device", "Gannet board"});
  CHECK(answer["run"] == 1);
  CHECK(answer["samples"] == 2400);
  CHECK(answer["duplicates"] == 1);
  CHECK(answer["segments"].get<int>() >= 3);
  CHECK(answer.size() == 5);
}

TEST_CASE("summary has every key of the contract and its figures are those of the file") {
  const Bench bench;
  imported(bench, "Gannet board");
  const Json s = bench.json({"summary", "last"});
  has_keys(s, {"run",         "device",
               "meter",       "begin",
               "end",         "open",
               "samples",     "gap_s",
               "energy_wh",   "counter_wh",
               "idle_w",      "idle_uncertainty_w",
               "standby_w",   "standby_uncertainty_w",
               "load_w",      "load_uncertainty_w",
               "sustained_w", "sustained_uncertainty_w",
               "baseline_w",  "baseline_uncertainty_w",
               "peak_w",      "states",
               "segments",    "warnings"});
  CHECK(s["run"] == 1);
  CHECK(s["device"] == "Gannet board");
  CHECK(s["meter"].is_null());
  CHECK(s["begin"] == "2026-01-05T21:00:00.250Z");
  CHECK(s["end"] == "2026-01-05T21:39:59.250Z");
  CHECK(s["open"] == false);
  CHECK(s["samples"] == 2400);
  CHECK(s["gap_s"] == 0.0);
  CHECK(s["idle_w"].get<double>() == Approx(1.6).margin(0.005));
  CHECK(s["load_w"].get<double>() == Approx(5.0).margin(0.005));
  // 1 % + 0.05 W as a rectangle (GUM 4.3.7), k = 2: at least 2 x 0.066 / sqrt 3.
  CHECK(s["idle_uncertainty_w"].get<double>() >= 2 * 0.066 / std::sqrt(3.0));
  CHECK(s["idle_uncertainty_w"].get<double>() < 0.2);
  CHECK(s["standby_w"].is_null());
  CHECK(s["peak_w"] == 5.01);
  // (780 s + 900 s) at 1.6 W and 600 s at 5 W, in Wh; ripple and edges stay far below the margin.
  CHECK(s["energy_wh"].get<double>() == Approx((1680 * 1.6 + 600 * 5.0) / 3600.0).margin(0.01));
  CHECK(s["counter_wh"].get<double>() == Approx((1680 * 1.6 + 600 * 5.0) / 3600.0).margin(0.01));
  for (const char* kind : {"off", "standby", "idle", "ramp", "plateau", "unsteady", "gap", "charging"})
    CHECK(s["segments"].contains(kind));
  CHECK(s["segments"]["off"] == 1);
  CHECK(s["warnings"].is_array());
}

TEST_CASE("segments has every key of the contract and covers the run without hole or overlap") {
  const Bench bench;
  imported(bench, "Gannet board");
  const Json answer = bench.json({"segments", "1"});
  has_keys(answer, {"run", "device", "meter", "segments"});
  const Json& segments = answer["segments"];
  REQUIRE(segments.size() >= 3);
  for (std::size_t i = 0; i < segments.size(); ++i) {
    has_keys(segments[i], {"kind", "begin", "end", "samples", "level_w", "uncertainty_w", "mean_w", "settled_w",
                           "settling_s", "lowest_w", "highest_w", "energy_wh", "excursions", "open"});
    CHECK(segments[i]["open"] == false);
    if (i > 0) CHECK(segments[i]["begin"] == segments[i - 1]["end"]);
  }
  CHECK(segments.front()["begin"] == "2026-01-05T21:00:00.250Z");
  CHECK(segments.back()["end"] == "2026-01-05T21:39:59.250Z");
}

TEST_CASE("compare has a row for the newest run of each device and for each entered figure") {
  const Bench bench;
  imported(bench, "Gannet board", 1.7);
  imported(bench, "Gannet board", 1.6);
  imported(bench, "Puffin mini", 8.0, 26.0);
  REQUIRE(bench({"enter", "Skua tower", "--idle", "38", "--load", "120", "--resolution", "1"}).status == 0);
  const Json devices = bench.json({"compare"})["devices"];
  REQUIRE(devices.size() == 3);
  for (const Json& row : devices)
    has_keys(row, {"device", "runs", "idle_w", "idle_uncertainty_w", "load_w", "load_uncertainty_w", "standby_w",
                   "standby_uncertainty_w", "sustained_w", "sustained_uncertainty_w", "baseline_w",
                   "baseline_uncertainty_w", "energy_wh", "entered"});
  CHECK(devices[0]["device"] == "Gannet board");
  CHECK(devices[0]["runs"] == Json::array({2}));
  CHECK(devices[1]["load_w"].get<double>() == Approx(26.0).margin(0.01));
  CHECK(devices[1]["entered"] == false);
  CHECK(devices[2]["device"] == "Skua tower");
  CHECK(devices[2]["entered"] == true);
  CHECK(devices[2]["idle_w"] == 38.0);
  CHECK(devices[2]["idle_uncertainty_w"].get<double>() == Approx(2.0 / std::sqrt(12.0)));  // GUM F.2.2.1, k = 2
  CHECK(devices[2]["energy_wh"].is_null());
}

TEST_CASE("two runs of one device become one row whose uncertainty holds their difference") {
  const Bench bench;
  imported(bench, "Gannet board", 1.5);
  imported(bench, "Gannet board", 1.9);
  const Json row = bench.json({"compare", "1", "2"})["devices"].at(0);
  CHECK(row["runs"] == Json::array({1, 2}));
  CHECK(row["idle_w"].get<double>() == Approx(1.7).margin(0.01));
  // Each is 0.2 W from the mean; two say little of how far a third may be.
  CHECK(row["idle_uncertainty_w"].get<double>() > 0.4);
}

TEST_CASE("an entered row is no `last` and has no curve") {
  const Bench bench;
  CHECK(bench({"enter", "Skua tower", "--idle", "38", "--load", "120"}).status == 0);
  CHECK(bench({"summary", "last"}).status == 1);
  CHECK(bench.json({"summary", "1"})["idle_w"] == 38.0);
  // A display of whole watts: a rectangle of half a watt to either side (GUM F.2.2.1), k = 2.
  CHECK(bench.json({"summary", "1"})["idle_uncertainty_w"].get<double>() == Approx(2.0 * 0.5 / std::sqrt(3.0)));
  CHECK(bench({"trace", "1"}).status == 1);
  CHECK(bench({"segments", "1"}).status == 1);
  CHECK(bench({"export", "1"}).status == 1);
}

TEST_CASE("runs lists what is there, newest last, and can be narrowed") {
  const Bench bench;
  imported(bench, "Gannet board");
  imported(bench, "Puffin mini");
  const Json runs = bench.json({"runs"})["runs"];
  REQUIRE(runs.size() == 2);
  has_keys(runs[0], {"run", "device", "meter", "begin", "end", "open", "pinned", "samples"});
  CHECK(runs[0]["pinned"] == true);
  CHECK(runs[0]["samples"] == 2400);
  CHECK(runs[0]["open"] == false);
  CHECK(bench.json({"runs", "--device", "Puffin mini"})["runs"].size() == 1);
  CHECK(bench({"runs", "--device", "nobody"}).status == 1);
  CHECK(bench({"runs", "--since", "2026-01-06T00:00:00Z"}).status == 1);
  CHECK(bench.json({"runs", "--since", "2026-01-05T21:30:00Z"})["runs"].size() == 2);
}

TEST_CASE("what is exported can be imported again and is the same, reading for reading") {
  const Bench bench;
  imported(bench, "Gannet board");
  const auto first = bench({"export", "1", "--format", "csv"});
  REQUIRE(first.status == 0);
  CHECK(first.out.rfind("time,power_w,voltage_v,energy_wh\n1767646800.25,0.00,230.0,12.000\n", 0) == 0);
  const std::string again = bench.write("again.csv", first.out);
  CHECK(bench.json({"import", again, "--device", "Gannet board"})["samples"] == 2400);
  CHECK(bench({"export", "2"}).out == first.out);
}

TEST_CASE("import warns of values it rounds, and says why a file gave nothing") {
  const Bench bench;
  const std::string file =
      bench.write("fine.csv", "time,power_w\n1000,25.0\n1001,25.03333333333\n1002,25.03333333334\n");
  const auto rounded = bench({"import", file, "--device", "Puffin mini"});
  CHECK(rounded.status == 0);
  CHECK(rounded.err ==
        "nightwatt: " + file + ":3: a value with more than 9 decimals was rounded to 9, and 1 more in the file\n");
  const auto nothing = bench({"import", file, "--device", "Puffin mini", "--missing-below", "100"});
  CHECK(nothing.status == 2);
  CHECK(nothing.err.find("--missing-below 100") != std::string::npos);
  CHECK(bench.json({"runs"})["runs"].size() == 1);
}

TEST_CASE("what changes a run says that there is no store, and makes none, an empty file is none yet") {
  const Bench bench;
  if (GENERATE(false, true)) bench.write("store.db", "");
  for (const Words& words : std::vector<Words>{{"pin", "1"},
                                               {"name", "1", "x"},
                                               {"drop", "1"},
                                               {"mark", "x", "--run", "1"},
                                               {"runs"},
                                               {"compare"},
                                               {"check"},
                                               {"split", "1", "--at", "1000"}}) {
    const auto answer = bench(words);
    INFO(words[0] << ": " << answer.err);
    CHECK(answer.status == 3);
    CHECK(answer.err.find("there is no store yet") != std::string::npos);
    CHECK_FALSE(std::filesystem::exists(bench.path("store.db-wal")));
  }
  CHECK(bench({"status"}).out.find("not there yet") != std::string::npos);
}

TEST_CASE("export gives JSON, a part of a run, and segments") {
  const Bench bench;
  imported(bench, "Gannet board");
  const Json all = Json::parse(bench({"export", "last", "--format", "json"}).out);
  REQUIRE(all["readings"].size() == 2400);
  CHECK(all["readings"][0] ==
        Json({{"time", "2026-01-05T21:00:00.250Z"}, {"power_w", 0.0}, {"voltage_v", 230.0}, {"energy_wh", 12.0}}));
  const Json part = bench.json({"export", "1", "--from", "2026-01-05T21:10:00Z", "--to", "2026-01-05T21:11:00Z"});
  CHECK(part["readings"].size() == 60);
  CHECK(bench({"export", "1", "--segments"}).out.rfind("kind,begin,end,", 0) == 0);
  CHECK(bench({"export", "1", "--from", "2030-01-01T00:00:00Z"}).status == 1);
  CHECK(bench({"export", "1", "--format", "xml"}).status == 2);
  CHECK(bench({"export"}).status == 2);
  CHECK(bench({"export", "1", "--meter", "bench"}).status == 2);
  CHECK(bench({"export", "--meter", "bench"}).status == 1);
}

namespace {

/// Of the Bench's store; it keeps raw readings for a day.
Result<storage::StoreWriter> one_day_store(const Bench& bench) {
  storage::StoreSettings settings;
  settings.keep_raw_days = 1.0;
  auto store = storage::StoreWriter::open(bench.path("store.db"), settings);
  REQUIRE(store);
  return store;
}

/// What is old by `newest` gives way, all of it.
void thin_out(storage::StoreWriter& store, UtcTime newest) {
  for (bool more = true; more;) {
    REQUIRE(store.begin());
    const auto left = store.retain(newest);
    REQUIRE(left);
    more = *left;
    REQUIRE(store.commit());
  }
}

}  // namespace

TEST_CASE("export says so where raw readings have given way to minutes and hours") {
  const Bench bench;
  auto store = one_day_store(bench);
  const UtcTime begin{evening_s * 1'000'000};
  REQUIRE(store->begin());
  const auto stream = store->stream_for_meter("bench");
  REQUIRE(stream);
  std::vector<Reading> readings;
  for (int i = 0; i < 10 * 8640; ++i) {  // ten days, a reading every ten seconds
    readings.push_back({begin + i * Duration(10'000'000), {}});
    readings.back().values.set(Quantity::power, {5, 0});
  }
  REQUIRE(store->apply(storage::AppendReadings{*stream, readings}));
  REQUIRE(store->commit());
  const Words all = {"export", "--meter", "bench", "--from", "0", "--to", "4000000000"};
  CHECK(bench(all).err.empty());
  thin_out(*store, readings.back().time);
  const auto answer = bench(all);
  CHECK(answer.status == 0);
  CHECK(one_line(answer.err));
  CHECK_THAT(answer.err, Catch::Contains("only minutes and hours are left"));
  const std::string last_hour = std::to_string(readings.back().time.us / 1'000'000 - 3600);
  CHECK(bench({"export", "--meter", "bench", "--from", last_hour, "--to", "4000000000"}).err.empty());
}

TEST_CASE("trace gives points that miss no peak, and the segments") {
  const Bench bench;
  std::string text = night();
  const std::string before = "1767648000.250,5.00";
  REQUIRE(text.find(before) == std::string::npos);
  const std::size_t line = text.find("\n1767648000.250,") + 1;
  text.replace(line, text.find(',', line + 16) - line, "1767648000.250,77.00");
  REQUIRE(bench({"import", bench.write("p.csv", text), "--device", "Gannet board"}).status == 0);
  const Json trace = bench.json({"trace", "1"});
  has_keys(trace, {"run", "device", "meter", "points", "segments"});
  CHECK(trace["points"].size() <= 1000);
  double highest = 0.0;
  std::int64_t samples = 0;
  for (const Json& point : trace["points"]) {
    has_keys(point, {"time", "power_w", "lowest_w", "highest_w", "samples"});
    highest = std::max(highest, point["highest_w"].get<double>());
    samples += point["samples"].get<std::int64_t>();
  }
  CHECK(highest == 77.0);
  CHECK(samples == 2400);
  CHECK(bench.json({"trace", "1", "--from", "2026-01-05T21:10:00Z", "--to", "2026-01-05T21:11:00Z"})["points"].size() ==
        60);
  CHECK(bench({"trace", "1", "--from", "2030-01-01T00:00:00Z"}).status == 1);
  const auto curve = bench({"trace", "1"});
  CHECK(curve.status == 0);
  CHECK(curve.out.find("Power of run 1 (Gannet board)") == 0);
  CHECK(curve.out.find("P plateau") != std::string::npos);
}

TEST_CASE("check says that a store is sound") {
  const Bench bench;
  imported(bench, "Gannet board");
  const Json check = bench.json({"check"});
  CHECK(check["ok"] == true);
  CHECK(check["samples"] == 2400);
  CHECK(check["blocks"].get<int>() >= 1);
  CHECK(check["problems"].empty());
}

TEST_CASE("status answers with the service down, before there is a store and after") {
  const Bench bench;
  Json status = bench.json({"status"});
  CHECK(status["service"] == "down");
  CHECK(status["meters"].empty());
  CHECK(status["store"]["samples"].is_null());
  imported(bench, "Gannet board");
  status = bench.json({"status"});
  has_keys(status["store"], {"path", "bytes", "oldest", "samples"});
  CHECK(status["store"]["samples"] == 2400);
  CHECK(status["store"]["bytes"].get<std::int64_t>() > 0);
  CHECK(status["store"]["oldest"] == "2026-01-05T21:00:00.250Z");
  CHECK_THAT(bench({"status"}).out, Catch::Contains("down, nothing is being recorded"));
}

TEST_CASE("a run is named, pinned, marked and dropped") {
  const Bench bench;
  imported(bench, "Gannet board");
  CHECK(bench({"name", "1", "Gannet board, new"}).status == 0);
  CHECK(bench.json({"summary", "1"})["device"] == "Gannet board, new");
  CHECK(bench({"pin", "1", "--off"}).status == 0);
  CHECK(bench.json({"runs"})["runs"][0]["pinned"] == false);
  CHECK(bench({"pin", "1"}).status == 0);
  CHECK(bench.json({"runs"})["runs"][0]["pinned"] == true);
  CHECK(bench({"mark", "asleep", "--run", "1", "--at", "2026-01-05T21:10:00Z", "--kind", "standby"}).status == 0);
  const Json segments = bench.json({"segments", "1"})["segments"];
  const bool marked =
      std::any_of(segments.begin(), segments.end(), [](const Json& s) { return s["kind"] == "standby"; });
  CHECK(marked);
  CHECK(bench({"mark", "late", "--run", "1", "--at", "2026-01-07T00:00:00Z"}).status == 2);
  CHECK(bench({"mark", "x", "--run", "1", "--at", "2026-01-05T21:10:00Z", "--kind", "asleep"}).status == 2);
  CHECK(bench({"mark", "x"}).status == 2);
  CHECK(bench({"mark", "x", "--run", "9"}).status == 1);
  const auto dropped = bench({"drop", "1"});
  CHECK(dropped.status == 0);
  CHECK(dropped.err.empty());
  CHECK_THAT(dropped.out, Catch::Contains("To have it again: nightwatt import FILE --device \"Gannet board, new\""));
  CHECK(bench({"summary", "1"}).status == 1);
  CHECK(bench({"drop", "1"}).status == 1);
}

TEST_CASE("forget is drop, and says so") {
  const Bench bench;
  imported(bench, "Gannet board");
  const auto dropped = bench({"forget", "1", "--json"});
  CHECK(dropped.status == 0);
  CHECK(Json::parse(dropped.out)["dropped"] == 1);
  CHECK(one_line(dropped.err));
  CHECK_THAT(dropped.err, Catch::Contains("drop"));
  CHECK(bench({"--help"}).out.find("forget") == std::string::npos);
}

TEST_CASE("a mark is taken back, and the segment is what it was") {
  const Bench bench;
  imported(bench, "Gannet board");
  const Json before = bench.json({"segments", "1"});
  CHECK(bench({"mark", "asleep", "--run", "1", "--at", "2026-01-05T21:10:00Z", "--kind", "standby"}).status == 0);
  CHECK(bench.json({"segments", "1"}) != before);
  CHECK(bench({"mark", "--remove", "--run", "1"}).status == 2);
  const auto missed = bench({"mark", "--remove", "--run", "1", "--at", "2026-01-05T21:11:00Z"});
  CHECK(missed.status == 1);
  CHECK_THAT(missed.err, Catch::Contains("the nearest is \"asleep\": --at 1767647400"));
  CHECK(bench({"mark", "--remove", "--run", "1", "--at", "2026-01-05T21:10:00Z"}).status == 0);
  CHECK(bench.json({"segments", "1"}) == before);
  CHECK(bench({"mark", "--run", "1", "--at", "2026-01-05T21:10:00Z"}).status == 2);  // without a text
}

TEST_CASE("what a run was measured under is said afterwards, piece by piece, and taken back") {
  const Bench bench;
  imported(bench, "Gannet board");
  const Json first = bench.json({"set", "1", "--set", "battery=full", "--set", "ambient_c=21", "--includes",
                                 "adapter,display", "--note", "with fan"});
  CHECK(first == Json({{"format", 1},
                       {"run", 1},
                       {"includes", {"adapter", "display"}},
                       {"set", {{"battery", "full"}, {"ambient_c", "21"}}},
                       {"note", "with fan"}}));
  const Json second = bench.json({"set", "1", "--set", "ambient_c=24", "--set", "battery="});
  CHECK(second["set"] == Json({{"ambient_c", "24"}}));
  CHECK(second["note"] == "with fan");
  const Json third = bench.json({"set", "1", "--includes", "", "--note", "", "--set", "ambient_c="});
  CHECK(third == Json({{"format", 1}, {"run", 1}, {"includes", Json::array()}, {"set", Json::object()}, {"note", ""}}));
  CHECK(bench({"set", "1"}).status == 2);
  CHECK(bench({"set", "9", "--note", "x"}).status == 1);
  CHECK(bench({"set", "1", "--set", "=x"}).status == 2);
  CHECK(bench.json({"check"})["ok"] == true);
}

TEST_CASE("join undoes split: the segments and figures are those of before, to the last digit, and marks stay") {
  const Bench bench;
  imported(bench, "Gannet board");
  CHECK(bench({"mark", "work begins", "--run", "1", "--at", "2026-01-05T21:20:00Z"}).status == 0);
  const Json segments = bench.json({"segments", "1"}), summary = bench.json({"summary", "1"});
  for (const char* at : {"2026-01-05T21:10:00.250Z", "2026-01-05T21:10:00.5Z", "2026-01-05T21:20:00Z"}) {
    const Json parts = bench.json({"split", "1", "--at", at});
    const std::string second = std::to_string(parts["new_run"].get<int>());
    CHECK(bench.json({"segments", "1"}) != segments);
    CHECK(bench({"join", second, "1"}).status == 2);
    CHECK(bench.json({"join", "1", second})["run"] == 1);
    CHECK(bench.json({"segments", "1"}) == segments);
    CHECK(bench.json({"summary", "1"}) == summary);
    CHECK(bench({"summary", second}).status == 1);
  }
  CHECK(bench({"mark", "--remove", "--run", "1", "--at", "2026-01-05T21:20:00Z"}).status == 0);
  imported(bench, "Puffin mini");
  CHECK(bench({"join", "1", "last"}).status == 2);  // another meter's
  CHECK(bench.json({"check"})["ok"] == true);
}

TEST_CASE("what was said of the second run alone is said of the joined one") {
  const Bench bench;
  imported(bench, "Gannet board");
  const Json parts = bench.json({"split", "1", "--at", "2026-01-05T21:10:00Z"});
  const std::string second = std::to_string(parts["new_run"].get<int>());
  CHECK(bench({"set", second, "--set", "battery=full", "--includes", "adapter", "--note", "with fan"}).status == 0);
  CHECK(bench({"join", "1", second}).status == 0);
  const Json set = bench.json({"set", "1", "--set", "ambient_c=21"});
  CHECK(set["set"] == Json({{"battery", "full"}, {"ambient_c", "21"}}));
  CHECK(set["includes"] == Json({"adapter"}));
  CHECK(set["note"] == "with fan");
}

TEST_CASE("segments fits 100 columns, with days where there are two, --wide says all") {
  ::setenv("TZ", "UTC0", 1);
  ::tzset();
  const Bench bench;
  std::string csv = "time,power_w\n";  // thousands of watts, over midnight UTC, one level still settling
  for (int i = 0; i < 7200; ++i) {
    const double watts = i < 1800 ? 1251.5 : i < 5400 ? 2310.5 + 180.0 * std::exp(-(i - 1800) / 600.0) : 1251.5;
    csv += std::to_string(1767654000 + i) + "," + std::to_string(watts + 0.5 * (i % 3)).substr(0, 6) + "\n";
  }
  bench.write("big.csv", csv);
  REQUIRE(bench({"import", bench.path("big.csv"), "--device", "Gannet board", "--resolution", "0.1"}).status == 0);
  const std::string text = bench({"segments", "1"}).out;
  std::istringstream lines(text);
  for (std::string line; std::getline(lines, line);) {
    INFO(line);
    CHECK(text::display_width(line) <= 100);
  }
  CHECK_THAT(text, Catch::Contains("01-05 23:00:00") && !Catch::Contains("energy Wh") && !Catch::Contains("mean W"));
  const std::string wide = bench({"segments", "1", "--wide"}).out;
  CHECK_THAT(wide, Catch::Contains("2026-01-05 23:00:00 +00:00") && Catch::Contains("energy Wh") &&
                       Catch::Contains("mean W") && Catch::Contains("readings"));
}

TEST_CASE("a quiet command leaves the answer and errors alone") {
  const Bench bench;
  const std::string file =
      bench.write("mw.csv", "epoch_ms,mW\n1767643200000,5000\n1767643201000,5010\n1767643202000,5020\n");
  CHECK_THAT(bench({"import", file, "--device", "Gannet board"}).err, Catch::Contains("read as:"));
  const auto quiet = bench({"import", file, "--device", "Gannet board", "--quiet"});
  CHECK(quiet.status == 0);
  CHECK(quiet.err.empty());
  CHECK_FALSE(quiet.out.empty());
  CHECK(one_line(bench({"--quiet", "summary", "99"}).err));
}

TEST_CASE("export goes to a file that comes whole, and a line at a time") {
  const Bench bench;
  imported(bench, "Gannet board");
  const std::string plain = bench({"export", "1"}).out;
  const auto written = bench({"export", "1", "-o", bench.path("out.csv")});
  CHECK(written.status == 0);
  CHECK(written.out.empty());
  std::ifstream file(bench.path("out.csv"), std::ios::binary);
  CHECK(std::string(std::istreambuf_iterator<char>(file), {}) == plain);
  bench.write("old.csv", "old");
  CHECK(bench({"export", "99", "-o", bench.path("old.csv")}).status == 1);
  std::ifstream old(bench.path("old.csv"), std::ios::binary);
  CHECK(std::string(std::istreambuf_iterator<char>(old), {}) == "old");
  const Json whole = bench.json({"export", "1"})["readings"];
  std::istringstream lines(bench({"export", "1", "--format", "ndjson"}).out);
  std::size_t count = 0;
  for (std::string line; std::getline(lines, line); ++count) REQUIRE(Json::parse(line) == whole[count]);
  CHECK(count == whole.size());
  std::istringstream segments(bench({"export", "1", "--segments", "--format", "ndjson"}).out);
  std::string first;
  std::getline(segments, first);
  CHECK(Json::parse(first) == bench.json({"segments", "1"})["segments"][0]);
}

TEST_CASE("a report or an export for \"-\" goes to standard output, and what must be a file is refused there") {
  const Bench bench;
  imported(bench, "Gannet board");
  const auto in_file = [&bench](const std::string& name) {
    std::ifstream file(bench.path(name), std::ios::binary);
    return std::string(std::istreambuf_iterator<char>(file), {});
  };
  for (const char* format : {"html", "svg"}) {
    REQUIRE(bench({"report", "-o", bench.path("report"), "--format", format}).status == 0);
    const auto to_output = bench({"report", "-o", "-", "--format", format});
    CHECK(to_output.status == 0);
    CHECK(to_output.err.empty());
    CHECK(to_output.out.size() > 1000);
    CHECK(to_output.out == in_file("report"));
  }
  CHECK(bench({"export", "1", "-o", "-"}).out == bench({"export", "1"}).out);
  CHECK(bench({"report", "-o", "-", "--json"}).status == 2);
  CHECK(bench({"backup", "-o", "-"}).status == 2);
  CHECK(bench({"salvage", bench.path("store.db"), "-o", "-"}).status == 2);
  CHECK(bench({"capture", "-o", "-"}).status == 2);
  CHECK_FALSE(std::filesystem::exists("-"));
}

TEST_CASE("tables print what a display and an unknown promise allow, and call a rank a rank") {
  const Bench bench;
  REQUIRE(bench({"enter", "Skua lamp", "--idle", "38", "--load", "2010"}).status == 0);
  REQUIRE(bench({"enter", "Puffin mini", "--idle", "0.59966", "--resolution", "0.001"}).status == 0);
  const std::string table = bench({"compare"}).out;
  CHECK_THAT(table,
             Catch::Contains("38.0 ± 0.6 W") && Catch::Contains("2010 ± 1 W") && Catch::Contains("0.600 ± 0.001 W"));
  CHECK_THAT(table, Catch::Contains("rank") && !Catch::Contains("place"));
  CHECK(bench.json({"compare"})["devices"][0]["idle_w"] == 0.59966);
  CHECK(bench({"compare", "--columns", "idle,idle-rank"}).status == 0);
}

TEST_CASE("a device's name stands for its run where it has one") {
  const Bench bench;
  imported(bench, "Gannet board");
  CHECK(bench.json({"summary", "Gannet board"})["run"] == 1);
  CHECK(bench({"summary", "Puffin mini"}).status == 2);
  imported(bench, "Gannet board");
  const auto several = bench({"summary", "Gannet board"});
  CHECK(several.status == 2);
  CHECK_THAT(several.err, Catch::Contains("1, 2"));
}

TEST_CASE("runs are listed between two times, as people say them") {
  const Bench bench;  // whose now is 2026-01-06T21:00:00Z
  imported(bench, "Gannet board");
  CHECK(bench({"runs", "--since", "30 h ago"}).status == 0);
  CHECK(bench({"runs", "--since", "23 h ago"}).status == 1);
  CHECK(bench({"runs", "--until", "30 h ago"}).status == 1);
  CHECK(bench({"runs", "--until", "23 h ago"}).status == 0);
}

TEST_CASE("any one figure read from a display is a row, with the day it was read") {
  const Bench bench;
  CHECK(bench({"enter", "Gannet board"}).status == 2);
  const Json row = bench.json({"enter", "Gannet board", "--standby", "0.5", "--at", "2026-01-02T12:00:00Z"});
  const std::string id = std::to_string(row["run"].get<int>());
  const Json summary = bench.json({"summary", id});
  CHECK(summary["standby_w"] == 0.5);
  CHECK(summary["idle_w"].is_null());
  CHECK(summary["load_w"].is_null());
  CHECK(summary["begin"] == "2026-01-02T12:00:00.000Z");
  CHECK(bench.json({"enter", "Puffin mini", "--load", "38"})["run"] == row["run"].get<int>() + 1);
  CHECK(bench({"enter", "x", "--idle", "1", "--standby", "3"}).status == 2);
  CHECK(bench({"set", id, "--note", "by the door"}).status == 0);
  CHECK(bench.json({"summary", id})["standby_w"] == 0.5);
  CHECK(bench.json({"check"})["ok"] == true);
}

TEST_CASE("what is asked needs no profile that the user may read") {
  const Bench bench;
  imported(bench, "Gannet board");
  bench.write("nightwatt.toml",
              "[store]\npath = \"store.db\"\n[control]\nsocket = \"control.sock\"\n[[meter]]\nname = \"bench\"\n"
              "port = \"/dev/none\"\nprofile = \"not-there.toml\"\n");
  CHECK(bench({"summary", "1"}).status == 0);
  CHECK(bench({"runs"}).status == 0);
  CHECK(bench({"segments", "1"}).status == 0);
}

TEST_CASE("a run split in two keeps every reading once, and each half has figures of its own") {
  const Bench bench;
  imported(bench, "Gannet board");
  CHECK(bench({"mark", "work begins", "--run", "1", "--at", "2026-01-05T21:20:00Z"}).status == 0);
  const Json answer = bench.json({"split", "1", "--at", "2026-01-05T21:10:00.250Z"});  // right at a reading
  CHECK(answer == Json({{"format", 1}, {"run", 1}, {"new_run", 2}}));
  const Json first = bench.json({"summary", "1"}), second = bench.json({"summary", "2"});
  CHECK(first["samples"] == 600);
  CHECK(second["samples"] == 1800);
  CHECK(first["device"] == "Gannet board");
  CHECK(second["device"].is_null());
  CHECK(second["begin"] == "2026-01-05T21:10:00.250Z");
  CHECK(second["end"] == "2026-01-05T21:39:59.250Z");
  CHECK(first["load_w"].is_null());
  CHECK(second["load_w"].get<double>() == Approx(5.0).margin(0.005));
  CHECK(bench.json({"runs"})["runs"][1]["pinned"] == true);
  CHECK(bench.json({"check"})["ok"] == true);
}

TEST_CASE("what cannot be answered is one line with the contract's status") {
  const Bench bench;
  CHECK(bench({"summary", "last"}).status == 3);  // no store yet
  imported(bench, "Gannet board");
  const std::vector<std::pair<Words, int>> cases = {
      {{"summary", "7"}, 1},
      {{"summary", "99999999999999999999999"}, 1},
      {{"summary", "first"}, 2},
      {{"summary", "-1"}, 2},
      {{"summary"}, 2},
      {{"frobnicate"}, 2},
      {{"runs", "--since", "some day"}, 2},
      {{"trace", "1", "--to", "nan"}, 2},
      {{"begin", "Puffin mini"}, 3},
      {{"end"}, 3},
      {{"begin", ""}, 2},
      {{"begin", std::string(100'000, 'x')}, 2},
      {{"begin", "a\x1b[2Jb"}, 2},
      {{"begin", "a", "--set", "novalue"}, 2},
      {{"begin", "a", "--includes", "adapter,,mouse"}, 2},
      {{"begin", "a", "--at", "later"}, 2},
      {{"name", "1", "a\nb"}, 2},
      {{"name", "1", std::string(257, 'x')}, 2},
      {{"name", "7", "x"}, 1},
      {{"pin", "7"}, 1},
      {{"split", "7", "--at", "5"}, 1},
      {{"split", "1", "--at", "5"}, 2},
      {{"enter", "x", "--idle", "word", "--load", "3"}, 2},
      {{"enter", "x", "--idle", "5", "--load", "3"}, 2},
      {{"decode", "nothing.bin", "--profile", "nothing"}, 2},
      {{"--store", bench.path("nowhere.db"), "runs"}, 3},
      {{"--config", bench.path("nowhere.toml"), "runs"}, 2},
  };
  for (const auto& [words, status] : cases) {
    const auto answer = bench(words);
    INFO(words[0] << " " << (words.size() > 1 ? words[1].substr(0, 40) : "") << ": " << answer.err);
    CHECK(answer.status == status);
    CHECK(one_line(answer.err));
    CHECK(answer.err.size() < 500);
    CHECK(answer.err.find('\x1b') == std::string::npos);
    CHECK(answer.out.empty());
  }
}

TEST_CASE("a bad file or wrong words leave no run and no reading, wherever the fault is") {
  const Bench bench;
  imported(bench, "Gannet board");
  std::string long_file = "time,power_w\n";
  for (int i = 0; i < 300'000; ++i) long_file += std::to_string(i) + ",5.0\n";  // past the first transaction
  const std::vector<Words> cases = {
      {"import", bench.write("a.csv", ""), "--device", "x"},
      {"import", bench.write("b.csv", "time,power_w\n"), "--device", "x"},
      {"import", bench.write("c.csv", "a,b\n1,2\n"), "--device", "x"},
      {"import", bench.write("d.csv", "time,power_w\n1,2\n2,three\n"), "--device", "x"},
      {"import", bench.write("e.csv", "time,power_w\n1,2\n2,2\n1,3\n"), "--device", "x"},
      {"import", bench.write("f.csv", "time,power_w\n1," + std::string(10'000'000, '1')), "--device", "x"},
      {"import", bench.write("g.csv", std::string("time,power_w\n1,2\0\n", 18)), "--device", "x"},
      {"import", bench.write("h.csv", "time,power_w\n1,2\r2,2\n"), "--device", "x"},
      {"import", bench.write("i.csv", long_file + "300000,word\n"), "--device", "x"},
      {"import", bench.write("j.csv", "time,power_w\n1,2\n")},
      {"import", bench.path("j.csv"), "--device", ""},
      {"import", bench.path("j.csv"), "--device", std::string(100'000, 'x')},
      {"import", bench.path("j.csv"), "--device", "a\tb"},
      {"import", bench.path("j.csv"), "--device", "x", "--resolution", "0"},
      {"import", bench.path("j.csv"), "--device", "x", "--resolution", "nan"},
      {"import", bench.path("j.csv"), "--device", "x", "--accuracy", "very good"},
      {"import", bench.path("j.csv"), "--device", "x", "--starting", "-1"},
      {"import", bench.path("j.csv"), "--device", "x", "--missing-below", "none"},
      {"import", bench.path("missing.csv"), "--device", "x"},
      {"import", bench.path(""), "--device", "x"},
  };
  for (const Words& words : cases) {
    const auto answer = bench(words);
    INFO(words[1] << ": " << answer.err);
    CHECK(answer.status == 2);
    CHECK(one_line(answer.err));
    CHECK(answer.out.empty());
  }
  CHECK_THAT(bench(cases[8]).err, Catch::Contains("i.csv:300002: power_w is \"word\""));
  CHECK(bench.json({"runs"})["runs"].size() == 1);
  CHECK(bench.json({"status"})["store"]["samples"] == 2400);
  CHECK(bench.json({"check"})["ok"] == true);
  CHECK(bench.json({"import", bench.path("j.csv"), "--device", "x"})["samples"] == 1);
}

TEST_CASE("an import refused late leaves no store where there was none, and leaves one that was there") {
  const Bench bench;
  std::string long_file = "time,power_w\n";
  for (int i = 0; i < 300'000; ++i) long_file += std::to_string(i) + ",5.0\n";  // past the first transaction
  const Words refused = {"import", bench.write("late.csv", long_file + "300000,word\n"), "--device", "x"};
  CHECK(bench(refused).status == 2);
  for (const char* suffix : {"", "-wal", "-shm", "-lock"})
    CHECK_FALSE(std::filesystem::exists(bench.path("store.db") + suffix));
  CHECK(bench({"enter", "Puffin mini", "--idle", "8", "--load", "26"}).status == 0);
  CHECK(bench(refused).status == 2);
  CHECK(bench.json({"runs"})["runs"].size() == 1);
}

TEST_CASE("a word that is no command is named") {
  const Bench bench;
  CHECK_THAT(bench({"frobnicate"}).err, Catch::Contains("\"frobnicate\""));
  CHECK_THAT(bench({"frobnicate", "--json", "last"}).err, Catch::Contains("\"frobnicate\""));
  CHECK_THAT(bench({"--frob"}).err, Catch::Contains("\"--frob\""));
  CHECK_THAT(bench({}).err, Catch::Contains("no command given"));
}

TEST_CASE("a store that is none is refused with status 3 and left as it was") {
  const Bench bench;
  const std::string file = bench.write("text.db", std::string(8192, 'n'));
  for (const Words& words :
       {Words{"--store", file, "runs"}, Words{"--store", file, "name", "1", "x"}, Words{"--store", file, "check"}}) {
    const auto answer = bench(words);
    CHECK(answer.status == 3);
    CHECK(one_line(answer.err));
  }
  std::ifstream in(file, std::ios::binary);
  CHECK(std::string(std::istreambuf_iterator<char>(in), {}) == std::string(8192, 'n'));
}

TEST_CASE("people see aligned figures with their uncertainty and local time with its offset") {
  const Bench bench;
  imported(bench, "Gannet board");
  const auto summary = bench({"summary", "last"});
  CHECK_THAT(summary.out, Catch::Contains("Run 1: Gannet board") && Catch::Contains("  idle      1.6") &&
                              Catch::Contains(" ± ") && Catch::Contains("  standby   - ("));
  const auto compare = bench({"compare"});
  CHECK_THAT(compare.out, Catch::StartsWith("device  ") && Catch::Contains("run 1\n"));
  CHECK(summary.out.find('\x1b') == std::string::npos);
}

TEST_CASE("a drop-out code is missing, and conditions are kept with the run") {
  const Bench bench;
  std::string text = "time,power_w\n";
  for (int i = 0; i < 200; ++i) text += std::to_string(i) + (i % 50 == 49 ? ",-1\n" : ",5.0\n");
  const Json answer =
      bench.json({"import", bench.write("d.csv", text), "--device", "Tern laptop", "--missing-below", "-0.5", "--note",
                  "lid open", "--includes", "adapter, mouse", "--set", "battery=full"});
  CHECK(answer["samples"] == 196);
  const Json s = bench.json({"summary", "last"});
  CHECK(s["idle_w"].get<double>() == Approx(5.0));
  CHECK(s["note"] == "lid open");
  CHECK(s["includes"] == Json::array({"adapter", "mouse"}));
  CHECK(s["set"] == Json({{"battery", "full"}}));
}

TEST_CASE("a budget has a part for each source, whose shares are the whole, and a coverage factor") {
  const Bench bench;
  imported(bench, "Gannet board");
  const Json plain = bench.json({"summary", "1"});
  CHECK_FALSE(plain.contains("budgets"));
  const Json s = bench.json({"summary", "1", "--budget"});
  for (const char* name : {"idle", "load"}) {
    const Json& b = s["budgets"][name];
    has_keys(b, {"level_w", "uncertainty_w", "standard_uncertainty_w", "coverage_factor", "degrees_of_freedom", "parts",
                 "readings", "stability", "counter", "warnings"});
    double shares = 0.0, squares = 0.0, permissible_error = 0.0;
    for (const Json& part : b["parts"]) {
      shares += part["share"].get<double>();
      squares += std::pow(part["uncertainty_w"].get<double>(), 2);
      if (part["part"] == "meter accuracy") permissible_error = part["uncertainty_w"];
    }
    CHECK(shares == Approx(1.0));
    CHECK(std::sqrt(squares) == Approx(b["standard_uncertainty_w"].get<double>()));
    const double level = b["level_w"];
    CHECK(permissible_error == Approx((0.01 * level + 0.05) / std::sqrt(3.0)));  // GUM 4.3.7
    CHECK(b["coverage_factor"].get<double>() * b["standard_uncertainty_w"].get<double>() ==
          Approx(b["uncertainty_w"].get<double>()));
    for (const Json& figures : {plain, s}) {
      CHECK(figures[std::string(name) + "_w"].get<double>() == Approx(level).epsilon(1e-12));
      CHECK(figures[std::string(name) + "_uncertainty_w"].get<double>() ==
            Approx(b["uncertainty_w"].get<double>()).epsilon(1e-9));
    }
  }
  CHECK(s["budgets"]["standby"].is_null());
  CHECK(s["budgets"]["load"]["stability"]["verdict"] == "cannot be judged");  // ten minutes; the rule asks for fifteen
  CHECK(s["budgets"]["load"]["stability"]["needed_s"].get<double>() >= 900.0);
  CHECK_THAT(bench({"summary", "1", "--budget"}).out,
             Catch::Contains("Budget of the idle level") && Catch::Contains("effective degrees of freedom"));
}

TEST_CASE("a row entered by hand has no budget and says so") {
  const Bench bench;
  REQUIRE(bench({"enter", "Skua tower", "--idle", "38", "--load", "120"}).status == 0);
  const Json s = bench.json({"summary", "1", "--budget"});
  CHECK(s["budgets"]["idle"].is_null());
  CHECK_THAT(s["warnings"].dump(), Catch::Contains("entered by hand"));
}

TEST_CASE("a counter of another scale than the power is warned of, one that agrees is not") {
  for (const double scale : {1.0, 1.2}) {
    const Bench bench;
    std::string text = "time,power_w,energy_wh\n";
    for (int i = 0; i < 3 * 3600; i += 2) {
      char row[80];
      std::snprintf(row, sizeof row, "%d,%.2f,%.1f\n", i, 25.0 + 0.01 * (i / 2 % 3),
                    std::floor(scale * 250.1 * i / 3600.0) / 10.0);
      text += row;
    }
    REQUIRE(bench({"import", bench.write("c.csv", text), "--device", "Puffin mini"}).status == 0);
    const std::string warnings = bench.json({"summary", "1", "--budget"})["warnings"].dump();
    INFO(scale << " " << warnings);
    CHECK((warnings.find("more apart than their uncertainties") != std::string::npos) == (scale != 1.0));
  }
}

// 25.3 W for 8 h are 202.4 Wh, a display that says 25 makes 200 of them, a counter of 10 Wh 200 or 210: all may be
// right.
TEST_CASE("a still display and a coarse counter that are both right are not warned of") {
  for (const double level : {25.05, 25.3, 25.45}) {
    for (const int start : {0, 3, 9}) {
      const Bench bench;
      std::string text = "time,power_w,energy_wh\n";
      for (int i = 0; i <= 8 * 3600; i += 60) {
        char row[80];
        std::snprintf(row, sizeof row, "%d,%.0f,%.0f\n", i, std::round(level),
                      10.0 * std::floor((start + level * i / 3600.0) / 10.0));
        text += row;
      }
      REQUIRE(bench({"import", bench.write("c.csv", text), "--device", "Puffin mini", "--resolution", "1"}).status ==
              0);
      const std::string warnings = bench.json({"summary", "1"})["warnings"].dump();
      INFO(level << " " << start << " " << warnings);
      CHECK(warnings.find("more apart than their uncertainties") == std::string::npos);
    }
  }
}

TEST_CASE("a display's step that is told too fine is warned of") {
  const Bench bench;
  std::string text = "time,power_w\n";
  for (int i = 0; i < 600; ++i) text += std::to_string(i) + (i % 3 == 0 ? ",26\n" : ",25\n");
  const std::string file = bench.write("c.csv", text);
  REQUIRE(bench({"import", file, "--device", "Puffin mini", "--resolution", "0.01"}).status == 0);
  CHECK_THAT(bench.json({"summary", "1"})["warnings"].dump(),
             Catch::Contains("the display shows multiples of 1.000 W") && Catch::Contains("not 0.010 W"));
  REQUIRE(bench({"import", file, "--device", "Puffin mini", "--resolution", "1"}).status == 0);
  CHECK(bench.json({"summary", "2"})["warnings"].dump().find("multiples") == std::string::npos);
}

TEST_CASE("constant readings of a display nobody knows have an uncertainty all the same") {
  const Bench bench;
  std::string text = "time,power_w\n";
  for (int i = 0; i < 200; ++i) text += std::to_string(i) + ",5.0\n";
  REQUIRE(bench({"import", bench.write("k.csv", text), "--device", "Gannet board"}).status == 0);
  const Json s = bench.json({"summary", "1"});
  CHECK(s["idle_uncertainty_w"].get<double>() == Approx(2.0 / std::sqrt(12.0)).epsilon(1e-3));
  CHECK_THAT(s["warnings"].dump(), Catch::Contains("step is not known: 1.000 W is taken"));
}

TEST_CASE("rows whose intervals overlap share their places, others do not") {
  const Bench bench;
  for (const auto& [device, idle, load] : {std::tuple{"Gannet board", "8", "20"}, std::tuple{"Puffin mini", "9", "26"},
                                           std::tuple{"Skua tower", "38", "120"}})
    REQUIRE(bench({"enter", device, "--idle", idle, "--load", load}).status == 0);
  // Whole watts: 8 and 9 with 0.577 W (k = 2) each overlap, 20 and 26 do not.
  const Json rows = bench.json({"compare"})["devices"];
  CHECK(rows[0]["idle_rank"] == Json::array({1, 2}));
  CHECK(rows[1]["idle_rank"] == Json::array({1, 2}));
  CHECK(rows[2]["idle_rank"] == Json::array({3, 3}));
  CHECK(rows[0]["idle_tied_with"] == Json::array({"Puffin mini"}));
  CHECK(rows[0]["load_rank"] == Json::array({1, 1}));
  CHECK(rows[1]["load_tied_with"].empty());
  CHECK_THAT(bench({"compare"}).out, Catch::Contains("1-2") && Catch::Contains("would rank noise"));
}

TEST_CASE("differences and ratios carry both uncertainties") {
  const Bench bench;
  REQUIRE(bench({"enter", "Puffin mini", "--idle", "20", "--load", "40"}).status == 0);
  REQUIRE(bench({"enter", "Skua tower", "--idle", "30", "--load", "120"}).status == 0);
  const Json rows = bench.json({"compare", "--against", "Puffin mini"})["devices"];
  CHECK_FALSE(rows[0].contains("against"));
  const Json& a = rows[1]["against"];
  const double u = 1.0 / std::sqrt(3.0);  // k = 2 of a whole watt
  CHECK(a["device"] == "Puffin mini");
  CHECK(a["idle_difference_w"] == 10.0);
  CHECK(a["idle_difference_uncertainty_w"].get<double>() == Approx(u * std::sqrt(2.0)));  // GUM 5.1.2
  CHECK(a["load_ratio"] == 3.0);
  // First order: |c_a| = 1/40, |c_b| = 120/1600.
  CHECK(a["load_ratio_uncertainty"].get<double>() == Approx(u * std::hypot(1 / 40.0, 120 / 1600.0)).epsilon(0.01));
  CHECK(bench({"compare", "--against", "nobody"}).status == 1);
}

TEST_CASE("what was measured alone is subtracted with the uncertainty of both") {
  const Bench bench;
  REQUIRE(bench({"enter", "Tern laptop", "--idle", "30", "--load", "70"}).status == 0);
  REQUIRE(bench({"enter", "Fulmar display", "--idle", "18", "--load", "18"}).status == 0);
  const Json answer = bench.json({"compare", "--less", "2"});
  REQUIRE(answer["devices"].size() == 1);
  CHECK(answer["less"] == 2);
  CHECK(answer["devices"][0]["idle_w"] == 12.0);
  CHECK(answer["devices"][0]["load_w"] == 52.0);
  CHECK(answer["devices"][0]["idle_uncertainty_w"].get<double>() == Approx(std::sqrt(2.0 / 3.0)));
  std::string climbing = "time,power_w\n";
  for (int i = 0; i < 15; ++i) climbing += std::to_string(i) + "," + std::to_string(3 * i) + ".0\n";
  REQUIRE(bench({"import", bench.write("r.csv", climbing), "--device", "Gannet board"}).status == 0);
  const auto refused = bench({"compare", "1", "--less", "3"});
  CHECK(refused.status == 1);
  CHECK(one_line(refused.err));
  CHECK(bench({"compare", "--less", "9"}).status == 1);
  CHECK(bench({"compare", "1", "--less", "1"}).status == 1);
  CHECK_THAT(bench({"compare", "2", "--less", "1"}).out, Catch::Contains("below zero"));
}

TEST_CASE("rows measured under different conditions are warned of, and the table goes out in four forms") {
  const Bench bench;
  REQUIRE(bench({"enter", "Tern laptop", "--idle", "9", "--load", "45", "--includes", "display,adapter", "--set",
                 "battery=charging"})
              .status == 0);
  REQUIRE(bench({"enter", "Puffin, \"mini\" | 2", "--idle", "8", "--load", "26", "--includes", "adapter", "--set",
                 "battery=full"})
              .status == 0);
  const Json answer = bench.json({"compare"});
  CHECK(answer["devices"][1]["includes"] == Json::array({"adapter", "display"}));
  CHECK(answer["devices"][1]["set"] == Json({{"battery", "charging"}}));
  CHECK_THAT(answer["warnings"].dump(), Catch::Contains("they differ in what was plugged in, battery"));
  CHECK(Json::parse(bench({"compare", "--format", "json"}).out) == answer);
  const auto csv = bench({"compare", "--format", "csv"});
  CHECK_THAT(csv.out, Catch::StartsWith("device,runs,idle_w,idle_uncertainty_w,load_w,"));
  CHECK_THAT(csv.out, Catch::Contains("\n\"Puffin, \"\"mini\"\" | 2\",2,8,"));  // RFC 4180
  CHECK_THAT(csv.err, Catch::Contains("warning: the rows were not measured under the same conditions; they differ in "
                                      "what was plugged in, battery"));
  CHECK_THAT(bench({"compare", "--format", "markdown"}).out, Catch::Contains("\\| 2 |") && Catch::Contains("| ---: |"));
  CHECK(bench({"compare", "--format", "html"}).status == 2);
  REQUIRE(
      bench({"enter", "Skua tower", "--idle", "8", "--load", "26", "--includes", "adapter", "--set", "battery=full"})
          .status == 0);
  CHECK(bench.json({"compare", "2", "3"})["warnings"].empty());
}

TEST_CASE("what is subtracted under other conditions, or from what does not hold it, is warned of") {
  const Bench bench;
  REQUIRE(bench({"enter", "Tern laptop", "--idle", "30", "--load", "70", "--includes", "display,adapter", "--set",
                 "supply_v=230"})
              .status == 0);
  REQUIRE(bench({"enter", "Fulmar display", "--idle", "18", "--load", "18", "--includes", "display", "--set",
                 "supply_v=120"})
              .status == 0);
  REQUIRE(
      bench({"enter", "Puffin mini", "--idle", "8", "--load", "26", "--includes", "adapter", "--set", "supply_v=230"})
          .status == 0);
  const std::string warnings = bench.json({"compare", "1", "3", "--less", "2"})["warnings"].dump();
  CHECK_THAT(warnings, Catch::Contains("measured with supply_v 120, Tern laptop with 230"));
  CHECK_THAT(warnings,
             Catch::Contains("display is subtracted from Puffin mini, though it is not noted as plugged in there"));
  CHECK_THAT(warnings, !Catch::Contains("display is subtracted from Tern laptop"));
}

TEST_CASE("a device's name is text in every form of the table, whatever it looks like") {
  const Bench bench;
  REQUIRE(bench({"enter", "=1+1", "--idle", "9", "--load", "45", "--set", "supply_v=230"}).status == 0);
  REQUIRE(bench({"enter", "<b>Puffin</b>", "--idle", "30", "--load", "60", "--set", "supply_v=120"}).status == 0);
  const auto markdown = bench({"compare", "--format", "markdown"}).out;
  CHECK_THAT(markdown, Catch::Contains("differ in supply\\_v") && Catch::Contains("\\<b>Puffin\\</b> |"));
  CHECK_THAT(markdown, !Catch::Contains(" <b>"));
  CHECK_THAT(bench({"compare", "--format", "csv"}).out, Catch::Contains("\n'=1+1,1,9,"));
  CHECK(bench.json({"compare"})["devices"][0]["device"] == "=1+1");
}

TEST_CASE("a meter whose accuracy nobody gave is named beside the figures") {
  const Bench bench;
  REQUIRE(bench({"enter", "Puffin mini", "--idle", "9", "--load", "45"}).status == 0);
  REQUIRE(bench({"enter", "Skua tower", "--idle", "38", "--load", "60", "--accuracy", "1% + 0.05W"}).status == 0);
  const auto table = bench({"compare"}).out;
  CHECK_THAT(table, Catch::Contains("accuracy is not known for Puffin mini: its own error is not in the intervals"));
  const Json rows = bench.json({"compare"})["devices"];
  CHECK(rows[0]["accuracy"].is_null());
  CHECK(rows[1]["accuracy"] == "1% + 0.05W");
  CHECK_THAT(bench({"compare", "2"}).out, !Catch::Contains("accuracy is not known"));
  CHECK_THAT(bench({"summary", "1"}).out, Catch::Contains("is not known: its own error is not in the intervals"));
  CHECK_THAT(bench({"summary", "2"}).out, Catch::Contains("of the meter, 1% + 0.05W"));
  CHECK(bench.json({"summary", "2"})["accuracy"] == "1% + 0.05W");
}

TEST_CASE("entering refuses what no display shows") {
  const Bench bench;
  for (const Words& words :
       {Words{"enter", "x", "--idle", "-1", "--load", "3"}, Words{"enter", "x", "--idle", "nan", "--load", "3"},
        Words{"enter", "x", "--idle", "1", "--load", "inf"},
        Words{"enter", "x", "--idle", "1", "--load", "3", "--resolution", "0"},
        Words{"enter", "x", "--idle", "1", "--load", "3", "--accuracy", "class Q"},
        Words{"enter", "x", "--idle", "1", "--load", "3", "--accuracy", "300%"},
        Words{"enter", "x", "--idle", "1", "--load", "3", "--set", "battery"}}) {
    const auto answer = bench(words);
    INFO(words.back());
    CHECK(answer.status == 2);
    CHECK(one_line(answer.err));
  }
  CHECK(bench({"compare"}).status != 0);
}

TEST_CASE(
    "a counter that is read every ten minutes beside a load that changes is no wrong scale, and one that is too fast "
    "is") {
  const auto night = [](double counter_scale) {
    std::string text = "time,power_w,energy_wh\n";
    double counted_wh = 0.0;
    for (int i = 0; i <= 7000; ++i) {
      const auto watts = [](int second) { return (second / 900) % 2 == 0 ? 100.0 : 10.0; };
      if (i > 0) counted_wh += 0.5 * (watts(i - 1) + watts(i)) / 3600.0;
      text += std::to_string(evening_s + i) + "," + std::to_string(watts(i)) + ",";
      if (i % 600 == 300) text += std::to_string(counter_scale * counted_wh);
      text += "\n";
    }
    return text;
  };
  const auto warned = [&](double counter_scale) {
    const Bench bench;
    const std::string file = bench.write("c.csv", night(counter_scale));
    REQUIRE(bench({"import", file, "--device", "Skua tower", "--resolution", "0.01", "--accuracy", "1%"}).status == 0);
    return bench.json({"summary", "1", "--budget"})["warnings"].dump().find("one of them is wrong") !=
           std::string::npos;
  };
  CHECK_FALSE(warned(1.0));
  CHECK(warned(1.1));
}

TEST_CASE("a year's energy and cost are hours times power times price") {
  const Bench bench;
  REQUIRE(bench({"enter", "Puffin mini", "--idle", "42", "--load", "80"}).status == 0);
  // 42 W for 8760 h at 0.30: 367.92 kWh and 110.376 (arithmetic).
  const Json answer = bench.json({"estimate", "1", "--idle-h", "24", "--tariff", "0.30", "--currency", "EUR"});
  CHECK_THAT(answer["cautions"][0].get<std::string>(), Catch::StartsWith("local codes and licensed people"));
  const Json& e = answer["devices"][0];
  CHECK(e["energy_kwh"].get<double>() == Approx(367.92));
  CHECK(e["energy_kwh_uncertainty"].get<double>() == Approx(8.76 / std::sqrt(3.0)));  // whole watts, k = 2
  CHECK(e["cost"].get<double>() == Approx(110.376));
  CHECK(e["cost_uncertainty"].get<double>() == Approx(0.30 * 8.76 / std::sqrt(3.0)));  // of the energy alone
  CHECK(e["warnings"].dump().find("tariff and hours are taken as exact") != std::string::npos);
  CHECK(bench.json({"estimate", "1", "--idle-h", "24"})["devices"][0]["warnings"].dump().find("exact") ==
        std::string::npos);
  CHECK(e["battery_wh"].is_null());
  CHECK(e["emissions_kg"].is_null());
  CHECK(bench
            .json({"estimate", "1", "--idle-h", "12", "--load-h", "6", "--off-h", "6", "--off-w",
                   "1"})["devices"][0]["energy_kwh"]
            .get<double>() == Approx(0.365 * (12 * 42 + 6 * 80 + 6)));
  CHECK_THAT(bench({"estimate", "1"}).out, Catch::StartsWith("caution: local codes"));
}

TEST_CASE("the published duty weightings give the published consumption") {
  const Bench bench;
  // Commission Decision (EU) 2015/1402, tables 3 and 4; powers invented, sums recomputed by hand.
  REQUIRE(bench({"enter", "Skua tower", "--idle", "42", "--load", "120"}).status == 0);
  REQUIRE(bench({"enter", "Tern laptop", "--idle", "7.5", "--load", "40"}).status == 0);
  const auto kwh = [&](const char* run, const char* duty, const char* off, const char* sleep, const char* dark) {
    return bench
        .json({"estimate", run, "--duty", duty, "--off-w", off, "--sleep-w", sleep, "--long-idle-w",
               dark})["devices"][0]["energy_kwh"]
        .get<double>();
  };
  CHECK(kwh("1", "desktop", "0.8", "2.0", "38") == Approx(182.7336));
  CHECK(kwh("1", "desktop:full", "0.8", "2.0", "38") == Approx(136.3056));
  CHECK(kwh("2", "notebook:remote-wake", "0.3", "0.9", "4.0") == Approx(24.0812).epsilon(1e-5));
}

TEST_CASE("a battery is sized for the upper end of the interval, behind the adapter where that is known") {
  const Bench bench;
  REQUIRE(bench({"enter", "Gannet board", "--idle", "45.000000", "--load", "50"}).status == 0);
  // Display step 1 W by the coarser figure: 45 + 0.577 W.
  const double upper = 45.0 + 1.0 / std::sqrt(3.0);
  const Words common = {"estimate", "1", "--autonomy-days",      "2.5", "--dod", "0.8", "--battery-efficiency", "0.9",
                        "--ageing", "0", "--temperature-factor", "1.3"};
  const auto with = [&](Words more) {
    Words words = common;
    words.insert(words.end(), more.begin(), more.end());
    return bench.json(words)["devices"][0];
  };
  // Wh = P h / (depth x efficiency) x cold (common practice, no source).
  const double wall_wh = upper * 60.0 / 0.72 * 1.3;
  CHECK(with({})["battery_wh"].get<double>() == Approx(wall_wh));
  CHECK(with({"--battery-v", "12"})["battery_ah"].get<double>() == Approx(wall_wh / 12.0));
  CHECK(with({"--adapter-efficiency", "0.9"})["battery_wh"].get<double>() == Approx(0.9 * wall_wh));
  // A published least efficiency is a bound: the battery stays that of the wall. 65 W external: 0.88 (EU 2019/1782).
  const Json curve = with({"--adapter-curve", "external:65"});
  CHECK(curve["battery_wh"].get<double>() == Approx(wall_wh));
  CHECK(curve["battery_least_wh"].get<double>() == Approx(0.88 * 45.0 * 60.0 / 0.72 * 1.3));
  CHECK(curve["device_lower_bound"] == true);
  CHECK(curve["extrapolated"] == false);
  CHECK(with({"--adapter-curve", "gold:1000"})["extrapolated"] == true);  // nothing is published below 20 %
}

TEST_CASE("a supply is sized at the wall, and at the device where the efficiency is known") {
  const Bench bench;
  imported(bench, "Gannet board");
  const double at_wall = 1.25 * 5.01;  // the highest reading and a quarter (common practice, no source)
  const Json known = bench.json({"estimate", "1", "--adapter-efficiency", "0.8"})["devices"][0];
  CHECK(known["supply_w"].get<double>() == Approx(at_wall));
  CHECK(known["supply_device_w"].get<double>() == Approx(0.8 * at_wall));
  CHECK(bench.json({"estimate", "1", "--adapter-curve", "external:65"})["devices"][0]["supply_device_w"].is_null());
}

TEST_CASE("an estimate refuses what is no price, hour, share or level") {
  const Bench bench;
  REQUIRE(bench({"enter", "Gannet board", "--idle", "45", "--load", "50"}).status == 0);
  const std::vector<std::pair<Words, int>> cases = {
      {{"--tariff", "-0.3"}, 2},
      {{"--tariff", "nan"}, 2},
      {{"--idle-h", "-1"}, 2},
      {{"--idle-h", "inf"}, 2},
      {{"--idle-h", "25"}, 2},
      {{"--idle-h", "20", "--load-h", "5"}, 2},
      {{"--idle-h", "0"}, 2},
      {{"--idle-h", "8", "--duty", "desktop"}, 2},
      {{"--duty", "tower"}, 2},
      {{"--duty", "desktop:best"}, 2},
      {{"--emissions", "-1"}, 2},
      {{"--autonomy-days", "0"}, 2},
      {{"--autonomy-days", "2", "--dod", "1.2"}, 2},
      {{"--autonomy-days", "2", "--dod", "0"}, 2},
      {{"--autonomy-days", "2", "--battery-efficiency", "1.01"}, 2},
      {{"--autonomy-days", "2", "--ageing", "1"}, 2},
      {{"--autonomy-days", "2", "--temperature-factor", "0.9"}, 2},
      {{"--autonomy-days", "2", "--battery-c", "1000"}, 2},
      {{"--autonomy-days", "2", "--battery-c", "-300"}, 2},
      {{"--dod", "0.5"}, 2},
      {{"--adapter-efficiency", "1.1"}, 2},
      {{"--adapter-efficiency", "0.9", "--adapter-curve", "gold:500"}, 2},
      {{"--adapter-curve", "lead:500"}, 2},
      {{"--adapter-curve", "gold:-5"}, 2},
      {{"--currency", std::string(100, 'x')}, 2},
      {{"--standby-h", "3"}, 1},
      {{"--off-h", "3"}, 1},
      {{"--duty", "desktop"}, 1},
      {{"9"}, 1},
  };
  for (const auto& [more, status] : cases) {
    Words words = {"estimate", "1"};
    words.insert(words.end(), more.begin(), more.end());
    const auto answer = bench(words);
    INFO(more.front() << " " << more.back() << ": " << answer.err);
    CHECK(answer.status == status);
    CHECK(one_line(answer.err));
    CHECK(answer.out.empty());
  }
}

namespace {

std::string rows(int from, int to, const std::function<std::string(int)>& power) {
  std::string text;
  for (int i = from; i < to; ++i) text += std::to_string(evening_s + i) + "," + power(i) + "\n";
  return text;
}

}  // namespace

TEST_CASE("a whole-watt display's 0.6 W is the same in segments, summary, compare and the budget") {
  const Bench bench;
  std::mt19937 random(11);
  std::normal_distribution<double> power(0.6, 1.0 / 3.0);
  const std::string file = bench.write(
      "w.csv", "time,power_w\n" + rows(0, 3600, [&](int) { return std::to_string(std::lround(power(random))); }));
  REQUIRE(bench({"import", file, "--device", "Gannet board", "--resolution", "1"}).status == 0);
  const Json segment = bench.json({"segments", "1"})["segments"][0];
  const Json summary = bench.json({"summary", "1", "--budget"});
  const Json row = bench.json({"compare"})["devices"][0];
  const double level = summary["idle_w"], uncertainty = summary["idle_uncertainty_w"];
  CHECK(level == Approx(0.6).margin(0.03));
  CHECK(uncertainty < 0.04);
  for (const Json& figure : {segment["level_w"], row["idle_w"], summary["budgets"]["idle"]["level_w"]})
    CHECK(figure.get<double>() == Approx(level).epsilon(1e-12));
  for (const Json& figure :
       {segment["uncertainty_w"], row["idle_uncertainty_w"], summary["budgets"]["idle"]["uncertainty_w"]})
    CHECK(figure.get<double>() == Approx(uncertainty).epsilon(1e-9));
}

TEST_CASE("a load that throttles, and idle with bursts, have their second figure in every table, and only they") {
  const Bench bench;
  // Idle of 7.3 W with four bursts of 70 s at 21.5 W; then ten minutes at 44.85 W and twenty at 37.97 W.
  const auto power = [](int i) {
    char text[16];
    bool burst = false;
    for (const int begin : {600, 1500, 2100, 3600}) burst = burst || (i >= begin && i < begin + 70);
    const double level = i >= 6600 ? 7.3 : i >= 5400 ? 37.97 : i >= 4800 ? 44.85 : burst ? 21.5 : 7.3;
    std::snprintf(text, sizeof text, "%.2f", level + 0.01 * (i * 7 % 5 - 2));
    return std::string(text);
  };
  const std::string file = bench.write("b.csv", "time,power_w\n" + rows(0, 7200, power));
  REQUIRE(bench({"import", file, "--device", "Fulmar mini", "--resolution", "0.01", "--accuracy", "1%"}).status == 0);
  const Json s = bench.json({"summary", "1", "--budget"});
  CHECK(s["idle_w"].get<double>() == Approx(7.3).margin(0.01));
  CHECK(s["load_w"].get<double>() == Approx(44.85).margin(0.05));
  CHECK(s["sustained_w"].get<double>() == Approx(37.97).margin(0.05));
  // (4520 x 7.3 + 280 x 21.5) / 4800 = 8.128 W; four bursts may have been one or ten.
  CHECK(s["baseline_w"].get<double>() == Approx(8.128).margin(0.02));
  CHECK(s["baseline_uncertainty_w"].get<double>() > 0.8);
  CHECK(s["budgets"]["baseline"]["level_w"] == s["baseline_w"]);
  CHECK(s["budgets"]["sustained"]["level_w"] == s["sustained_w"]);
  CHECK(s["states"].size() >= 3);
  CHECK(s["states"][0]["kind"] == "idle");
  const Json row = bench.json({"compare"})["devices"][0];
  for (const char* key : {"sustained_w", "sustained_uncertainty_w", "baseline_w", "baseline_uncertainty_w"})
    CHECK(row[key] == s[key]);
  CHECK_THAT(bench({"compare"}).out, Catch::Contains("sustained"));
  CHECK_THAT(bench({"summary", "1"}).out, Catch::Contains("37.97"));
  // A plain night has neither.
  const Bench plain;
  imported(plain, "Gannet board");
  CHECK(plain({"compare"}).out.find("sustained") == std::string::npos);
  CHECK(plain({"compare"}).out.find("baseline") == std::string::npos);
}

TEST_CASE("a day's energy, its cost a year and how long a battery lasts stand in the same table") {
  const Bench bench;
  REQUIRE(bench({"enter", "Puffin mini", "--idle", "8", "--load", "20"}).status == 0);
  REQUIRE(bench({"enter", "Skua tower", "--idle", "40", "--load", "130"}).status == 0);
  // 20 h x 8 W + 4 h x 20 W = 240 Wh; at 0.30 a kWh 26.28 a year; half of 1200 Wh, nine tenths of it, lasts 540 / 10 h.
  const Json row =
      bench.json({"compare", "--day", "idle=20h,load=4h", "--tariff", "0.30", "--battery", "100Ah 12V"})["devices"][0];
  CHECK(row["day_wh"].get<double>() == Approx(240.0));
  // Whole watts, k = 2, one meter: 24 h x 0.577 W.
  CHECK(row["day_uncertainty_wh"].get<double>() == Approx(24.0 / std::sqrt(3.0)));
  CHECK(row["cost_a_year"].get<double>() == Approx(26.28));
  CHECK(row["lasts_h"].get<double>() == Approx(54.0));
  const auto answer = bench({"compare", "--day", "idle=20,load=4", "--tariff", "0.30", "--currency", "EUR", "--battery",
                             "1200Wh", "--columns", "day,cost,lasts"});
  CHECK_THAT(answer.out, Catch::Contains("240 ± 14 Wh") && Catch::Contains("EUR a year") && Catch::Contains("2 d 6 h"));
  CHECK(answer.out.find("place") == std::string::npos);
  for (const char* day : {"", "idle", "idle=25h", "sleep=3h", "idle=2h,idle=3h", "idle=-1h", "idle=0h"})
    CHECK(bench({"compare", "--day", day}).status == 2);
  CHECK(bench({"compare", "--columns", "colour"}).status == 2);
  CHECK(bench({"compare", "--battery", "1200Wh"}).status == 2);
  CHECK(bench({"compare", "--day", "idle=24h", "--battery", "12V"}).status == 2);
}

TEST_CASE("all runs of a device are one row where that is asked for") {
  const Bench bench;
  imported(bench, "Gannet board", 1.60);
  imported(bench, "Gannet board", 1.62);
  CHECK(bench.json({"compare"})["devices"][0]["runs"] == Json::array({2}));
  const Json row = bench.json({"compare", "--all"})["devices"][0];
  CHECK(row["runs"] == Json::array({1, 2}));
  CHECK(row["idle_w"].get<double>() == Approx(1.61).margin(0.002));
  CHECK(bench({"compare", "--all", "1"}).status == 2);
}

TEST_CASE("energies of runs of different lengths do not stand side by side unasked") {
  const Bench bench;
  const auto of = [&](const char* device, int seconds) {
    const std::string file = bench.write(std::string(device) + ".csv",
                                         "time,power_w\n" + rows(0, seconds, [](int) { return std::string("5.0"); }));
    REQUIRE(bench({"import", file, "--device", device, "--resolution", "0.1"}).status == 0);
  };
  of("Gannet board", 600);
  CHECK_THAT(bench({"compare"}).out, Catch::Contains("energy"));
  of("Puffin mini", 1200);
  CHECK(bench({"compare"}).out.find("energy") == std::string::npos);
  CHECK_THAT(bench({"compare", "--columns", "energy"}).out, Catch::Contains("energy"));
}

TEST_CASE("several idle segments have one budget, and it is the summary's figure") {
  const Bench bench;
  const auto power = [](int i) {
    const int phase = i / 300;
    char text[16];
    std::snprintf(text, sizeof text, "%.1f", (phase % 2 == 0 ? 8.0 + 0.05 * phase : 25.0) + 0.1 * (i * 7 % 5 - 2));
    return std::string(text);
  };
  const std::string file = bench.write("s.csv", "time,power_w\n" + rows(0, 1500, power));
  REQUIRE(bench({"import", file, "--device", "Puffin mini", "--resolution", "0.1", "--accuracy", "1%"}).status == 0);
  const Json s = bench.json({"summary", "1", "--budget"});
  REQUIRE(s["budgets"]["idle"]["segments"] == 3);
  CHECK(s["budgets"]["idle"]["level_w"].get<double>() == Approx(s["idle_w"].get<double>()).epsilon(1e-12));
  CHECK(s["budgets"]["idle"]["uncertainty_w"].get<double>() ==
        Approx(s["idle_uncertainty_w"].get<double>()).epsilon(1e-9));
}

TEST_CASE("the worked example of docs/measuring.md is what the tool says") {
  const Bench bench;
  const std::array<const char*, 4> powers = {"25.0", "25.4", "25.1", "25.3"};
  const std::string file = bench.write(
      "w.csv", "time,power_w\n" + rows(0, 36, [&](int i) { return powers[static_cast<std::size_t>(i % 4)]; }));
  REQUIRE(
      bench({"import", file, "--device", "Gannet board", "--resolution", "0.1", "--accuracy", "1% + 0.05W"}).status ==
      0);
  const Json s = bench.json({"summary", "1", "--budget"});
  const Json& budget = s["budgets"]["idle"];
  // Every number is in the document, and can be had with a pencil.
  CHECK(budget["readings"] == 24);
  CHECK(budget["level_w"].get<double>() == Approx(25.2));
  const std::vector<std::pair<std::string, double>> parts = {
      {"statistics", std::sqrt(0.6 / 23.0 / 24.0)}, {"display step", 0.0}, {"meter accuracy", 0.302 / std::sqrt(3.0)}};
  REQUIRE(budget["parts"].size() == parts.size());
  for (std::size_t i = 0; i < parts.size(); ++i) {
    CHECK(budget["parts"][i]["part"] == parts[i].first);
    CHECK(budget["parts"][i]["uncertainty_w"].get<double>() == Approx(parts[i].second).margin(1e-9));
  }
  CHECK(s["idle_uncertainty_w"].get<double>() ==
        Approx(2.0 * std::hypot(parts[0].second, parts[2].second)).epsilon(1e-3));
  std::ifstream document(NIGHTWATT_DOCS "/measuring.md");
  const std::string text{std::istreambuf_iterator<char>(document), {}};
  const std::string said = bench({"summary", "1", "--budget"}).out;
  // From the budget's first line to the combined uncertainty, as the document shows it.
  const std::size_t begin = said.find("Budget of the idle level");
  for (std::size_t at = begin; at < said.find("combined u") + 10;) {
    const std::size_t end = said.find('\n', at);
    std::string line = said.substr(at, end - at);
    while (!line.empty() && line.back() == ' ') line.pop_back();
    INFO(line);
    CHECK(text.find("    " + line + "\n") != std::string::npos);
    at = end + 1;
  }
}

TEST_CASE("bad readings give a null, a warning or an honest interval, never a wrong number") {
  const Bench bench;
  int run = 0;
  const auto summary = [&](const std::string& text, const Words& more = {}) {
    Words words = {"import", bench.write("b" + std::to_string(run) + ".csv", text), "--device", "Tern laptop"};
    words.insert(words.end(), more.begin(), more.end());
    REQUIRE(bench(words).status == 0);
    return bench.json({"summary", std::to_string(++run), "--budget"});
  };
  SECTION("two readings") {
    const Json s = summary("time,power_w\n1,25.0\n2,25.4\n");
    CHECK(s["load_w"].is_null());
    CHECK_THAT(s["warnings"].dump(), Catch::Contains("too few to trust"));
  }
  SECTION("a run of gaps") {
    const Json s = summary("time,power_w\n" + rows(0, 20, [](int) { return "5.0"; }) +
                           rows(4000, 4005, [](int) { return "5.0"; }) + rows(9000, 9001, [](int) { return "5.0"; }));
    CHECK(s["gap_s"].get<double>() == Approx(3981.0 + 4996.0));
    CHECK(s["energy_wh"].get<double>() == Approx(5.0 * (19.0 + 4.0) / 3600.0));
    CHECK_THAT(s["warnings"].dump(), Catch::Contains("gaps"));
  }
  SECTION("a counter that goes back within a level") {
    std::string text = "time,power_w,energy_wh\n";
    for (int i = 0; i < 7200; ++i)
      text += std::to_string(i) + ",25," + std::to_string((i < 5000 ? 1000 : 7) + i / 144) + "\n";
    const Json s = summary(text, {"--resolution", "1"});
    CHECK(s["idle_w"].get<double>() == Approx(25.0).margin(s["idle_uncertainty_w"].get<double>()));
    CHECK_THAT(s["warnings"].dump(), Catch::Contains("counter was reset once"));
  }
  SECTION("negative power is what a device that feeds back shows") {
    const Json s = summary("time,power_w\n" + rows(0, 600, [](int i) { return i % 2 == 0 ? "-3.0" : "-3.1"; }),
                           {"--resolution", "0.1"});
    CHECK(s["energy_wh"].get<double>() < 0.0);
  }
  SECTION("an accuracy of 0 or 300 per cent, an unknown class") {
    const std::string file = bench.write("a.csv", "time,power_w\n1,2\n");
    for (const char* accuracy : {"0%", "300%", "class Z", "-1%"}) {
      const auto answer = bench({"import", file, "--device", "x", "--accuracy", accuracy});
      INFO(accuracy << " " << answer.err);
      CHECK(answer.status == 2);
      CHECK(one_line(answer.err));
    }
  }
  SECTION("a display that truncates but whose step nobody knows") {
    const std::string file = bench.write("t.csv", "time,power_w\n1,2\n");
    CHECK(bench({"import", file, "--device", "x", "--truncates"}).status == 2);
  }
  SECTION("--less with a run that has no level") {
    summary("time,power_w\n" + rows(0, 3, [](int i) { return std::to_string(5 * i); }));
    summary("time,power_w\n" + rows(0, 600, [](int i) { return i % 2 == 0 ? "8.0" : "8.1"; }));
    const auto answer = bench({"compare", "2", "--less", "1"});
    CHECK(answer.status == 1);
    CHECK(one_line(answer.err));
  }
}

TEST_CASE("a display said to truncate gives levels half a step higher") {
  const Bench bench;
  std::mt19937 random(3);
  std::normal_distribution<double> power(25.3, 0.4);
  const std::string file = bench.write(
      "t.csv", "time,power_w\n" + rows(0, 1800, [&](int) { return std::to_string(static_cast<int>(power(random))); }));
  REQUIRE(bench({"import", file, "--device", "x", "--resolution", "1", "--truncates"}).status == 0);
  const Json s = bench.json({"summary", "1"});
  CHECK(s["idle_w"].get<double>() == Approx(25.3).margin(s["idle_uncertainty_w"].get<double>()));
}

TEST_CASE("import and summary say so where a display that cuts off would have another level, until it is told") {
  const Bench bench;
  std::mt19937 random(3);
  std::normal_distribution<double> power(6.3, 0.15);
  const std::string file = bench.write("t.csv", "time,power_w\n" + rows(0, 3000, [&](int) {
                                                  return std::to_string(std::floor(2.0 * power(random)) / 2.0);
                                                }));
  const auto warnings = [&](const std::vector<std::string>& more) {
    std::vector<std::string> words = {"import", file, "--device", "x"};
    words.insert(words.end(), more.begin(), more.end());
    const auto answer = bench(words);
    REQUIRE(answer.status == 0);
    const std::string run = std::to_string(bench.json({"runs"})["runs"].size());
    const std::string all = bench.json({"summary", run})["warnings"].dump();
    return std::pair{answer.out.find("--truncates") != std::string::npos,
                     all.find("levels are 0.25 W higher") != std::string::npos};
  };
  CHECK(warnings({}) == std::pair{true, true});
  CHECK_THAT(bench.json({"compare", "1"})["warnings"].dump(), Catch::Contains("taken to round for x;"));
  CHECK(warnings({"--rounds"}) == std::pair{false, false});
  CHECK(bench.json({"compare", "2"})["warnings"].empty());
  CHECK(warnings({"--resolution", "0.5", "--truncates"}) == std::pair{false, false});
  // The promise of the meter is more than the half step.
  CHECK(warnings({"--accuracy", "1% + 1W"}) == std::pair{false, false});
  CHECK(bench({"import", file, "--device", "x", "--resolution", "0.5", "--truncates", "--rounds"}).status == 2);
}

TEST_CASE("a budget outlives the raw readings, only whether the level was stable does not") {
  const Bench bench;
  auto store = one_day_store(bench);
  const UtcTime begin{evening_s * 1'000'000};
  REQUIRE(store->begin());
  const auto stream = store->stream_for_meter("bench");
  REQUIRE(stream);
  storage::NewRun run;
  run.stream = *stream;
  run.device = "Puffin mini";
  run.begin = begin;
  run.traits.resolution_w = 1.0;
  const auto id = store->open_run(run);
  REQUIRE(id);
  figures::RunRecorder builder(*id, {run.traits, run.shortest_segment_s});
  std::mt19937 random(8);
  std::normal_distribution<double> power(25.3, 0.4);
  std::vector<Reading> readings;
  for (int i = 0; i < 4 * 8640; ++i) {  // four days, a reading every ten seconds; the run is the first of them
    readings.push_back({begin + i * Duration(10'000'000), {}});
    readings.back().values.set(Quantity::power, {std::lround(power(random)), 0});
    if (i < 8640) builder.push(readings.back());
  }
  REQUIRE(store->apply(storage::AppendReadings{*stream, readings}));
  REQUIRE(builder.finish(*store, readings[8639].time));
  REQUIRE(store->commit());
  const Json before = bench.json({"summary", "1", "--budget"});
  thin_out(*store, readings.back().time);
  const Json after = bench.json({"summary", "1", "--budget"});
  CHECK(before["budgets"]["idle"]["stability"].is_object());
  CHECK(after["budgets"]["idle"]["stability"].is_null());
  CHECK_THAT(after["warnings"].dump(), Catch::Contains("given way to minutes"));
  CHECK(after["budgets"]["idle"]["parts"] == before["budgets"]["idle"]["parts"]);
  CHECK(after["idle_w"] == before["idle_w"]);
  CHECK(after["idle_w"].get<double>() == Approx(25.3).margin(after["idle_uncertainty_w"].get<double>()));
}

TEST_CASE("a file of changes is held from line to line, and says the same after an export and an import of it") {
  const Bench bench;
  // By hand: 50 W x 3600 s + 20 W x 7200 s + 3 W x 10800 s. Without --on-change these silences are gaps.
  const std::string file =
      bench.write("changes.csv", "time,power_w\n1767646800,50\n1767650400,20\n1767657600,3\n1767668400,3\n");
  const double energy_wh = (50.0 * 3'600.0 + 20.0 * 7'200.0 + 3.0 * 10'800.0) / 3'600.0;
  const int run = bench.json({"import", file, "--device", "Kittiwake", "--on-change", "--resolution", "1"})["run"];
  const Json held = bench.json({"summary", std::to_string(run)});
  CHECK(held["energy_wh"] == Approx(energy_wh));
  CHECK(held["gap_s"] == 0.0);
  CHECK(held["samples"] == 4);
  const Json segments = bench.json({"segments", std::to_string(run)})["segments"];
  std::vector<double> levels;
  for (const Json& segment : segments)
    if (!segment["level_w"].is_null()) levels.push_back(segment["level_w"]);
  REQUIRE(levels.size() == 3);
  CHECK(levels[0] == Approx(50.0).margin(0.6));
  CHECK(levels[1] == Approx(20.0).margin(0.6));
  CHECK(levels[2] == Approx(3.0).margin(0.6));

  const auto exported = bench({"export", std::to_string(run)});
  REQUIRE(exported.status == 0);
  const int again = bench.json({"import", bench.write("again.csv", exported.out), "--device", "Kittiwake",
                                "--on-change", "--resolution", "1"})["run"];
  CHECK(bench.json({"summary", std::to_string(again)})["energy_wh"] == Approx(energy_wh));
  const int gaps = bench.json({"import", file, "--device", "Kittiwake", "--on-change", "--gap", "5000"})["run"];
  CHECK(bench.json({"summary", std::to_string(gaps)})["gap_s"] == 18'000.0);

  const Json parts = bench.json({"split", std::to_string(run), "--at", "1767649000"});
  CHECK(bench.json({"summary", std::to_string(run)})["energy_wh"] == Approx(50.0 * 2'200.0 / 3'600.0));
  const auto second = std::to_string(parts["new_run"].get<int>());
  CHECK(bench.json({"summary", second})["energy_wh"] == Approx(energy_wh - 50.0 * 2'200.0 / 3'600.0));
  CHECK(bench.json({"check"})["ok"] == true);
}

TEST_CASE("a capture is decoded by what came, with offsets in those bytes, and a line that is none is named") {
  const Bench bench;
  const std::string profile = bench.write("lines.toml",
                                          "protocol = \"text-line\"\n[text-line]\nform = \"key-value\"\n"
                                          "[[read]]\nquantity = \"power\"\nfield = \"P\"\n");
  // "P=118\n" three times, in pieces; what was sent is no answer.
  const std::string capture =
      "# nightwatt capture 1\n# meter bench\n+0.000 > 3F 0A\n+0.010 < 50 3D 31 31\n+0.011 < 38 0A\n"
      "+1.010 < 50 3D 31 31 38 0A 50 3d 31 31 39 0a\n";
  const auto decoded = bench({"decode", bench.write("a.capture", capture), "--profile", profile, "--json"});
  CHECK(decoded.status == 0);
  CHECK(
      decoded.out ==
      "{\"at_byte\": 0, \"power_w\": 118}\n{\"at_byte\": 6, \"power_w\": 118}\n{\"at_byte\": 12, \"power_w\": 119}\n");
  CHECK(decoded.err == "3 readings, 0 faults\n");
  const auto broken = bench({"decode", bench.write("b.capture", capture + "+2.0 < 5\n"), "--profile", profile});
  CHECK(broken.status == 2);
  CHECK_THAT(broken.err, Catch::Contains("b.capture:7: not a line of a capture"));
}

TEST_CASE("a capture writes over nothing but a capture, and says what it cannot do") {
  const Bench bench;
  bench.write("meter.toml",
              "protocol = \"text-line\"\n[text-line]\nform = \"csv\"\n[[read]]\nquantity = \"power\"\nfield = 1\n");
  bench.write(
      "nightwatt.toml",
      "[store]\npath = \"store.db\"\n[control]\nsocket = \"control.sock\"\n[[meter]]\nname = \"bench\"\nport = \"" +
          bench.path("no-port") + "\"\nprofile = \"meter.toml\"\n");
  const std::string notes = bench.write("notes.txt", "my only notes on that meter, of many years\n");
  const auto refused = bench({"capture", "--meter", "bench", "-o", notes});
  CHECK(refused.status == 2);
  CHECK_THAT(refused.err, Catch::Contains("is no capture"));
  const auto missing = bench({"capture", "--meter", "bench", "-o", bench.path("a.capture")});
  CHECK(missing.status == 3);
  CHECK_THAT(missing.err, Catch::Contains("no-port"));
  CHECK(bench({"capture", "--meter", "other", "-o", bench.path("a.capture")}).status == 2);
  CHECK(bench({"capture", "--meter", "bench", "-o", bench.path("a.capture"), "--seconds", "0"}).status == 2);
  CHECK(bench({"capture", "--meter", "bench", "-o", bench.path("a.capture"), "--seconds", "4000"}).status == 2);
  CHECK(bench({"capture", "--meter", "bench", "-o", bench.path("nowhere/a.capture")}).status == 2);
}
