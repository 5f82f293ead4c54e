// What the service does of itself once a night is over: name its device, and tell that a level has moved.
#include <catch2/catch.hpp>
#include <string>
#include <vector>

#include "daemon/store_pipeline.hpp"
#include "store_support.hpp"

using namespace nightwatt;
using namespace nightwatt::daemon;
using namespace nightwatt::test;

namespace {

constexpr Duration one_day{86'400'000'000};

/// A pipeline with the meter "bench", night after night; each ends by itself once the device has been off.
class Nights {
 public:
  explicit Nights(bool auto_name) : pipeline_(path_, {}, queue_, state_, clock_, log_.sink()) {
    RecorderSettings settings = bench_settings();
    settings.auto_name = auto_name;
    (void)must(pipeline_.open({{0, settings}}));
    pipeline_.on_run_ended([this](const RunEnded& run) { ended_.push_back(run); });
  }
  /// Off, idle, load, idle, off. The run it made.
  storage::RunInfo pass(double idle_w, double load_w) {
    const UtcTime begin = evening + static_cast<std::int64_t>(night_++) * one_day;
    const std::size_t before = ended_.size();
    for (const Reading& reading :
         evening_of({{0.0, 60}, {idle_w, 600}, {load_w, 600}, {idle_w, 600}, {0.0, 330}}, begin))
      REQUIRE(queue_.push(QueuedReading{0, reading}));
    while (pipeline_.work() == StorePipeline::Outcome::stored) {
    }
    REQUIRE(ended_.size() == before + 1);
    return must(must(storage::StoreReader::open(path_)).run(ended_.back().run.id));
  }
  void name(storage::RunId run, const std::string& device) {
    auto store = must(storage::StoreWriter::open(path_, {}));
    must(store.begin());
    must(store.apply(storage::NameRun{run, device}));
    must(store.commit());
  }
  [[nodiscard]] std::vector<std::string> moved() const { return ended_.back().moved; }
  [[nodiscard]] bool logged(const std::string& text) { return log_.count(text) > 0; }
  [[nodiscard]] std::vector<storage::Mark> marks(storage::RunId run) const {
    return must(must(storage::StoreReader::open(path_)).marks(run));
  }

 private:
  TempFolder folder_;
  std::string path_ = folder_.file("nightwatt.db");
  JumpingClock clock_;
  Log log_;
  ReadingQueue queue_{clock_, ReadingQueue::reading_limit};
  PipelineState state_;
  StorePipeline pipeline_;
  std::vector<RunEnded> ended_;
  int night_ = 0;
};

/// Five nights each of two devices, a little different from night to night, named by hand.
void learn(Nights& nights) {
  for (const int i : {0, 3, 1, 4, 2}) {
    nights.name(nights.pass(38.0 + 0.1 * i, 60.2 - 0.1 * i).id, "Gannet board");
    nights.name(nights.pass(3.0 + 0.01 * i, 9.0 + 0.02 * i).id, "Puffin mini");
  }
}

}  // namespace

TEST_CASE("a night is named by itself where its device is known, and a note keeps the odds") {
  Nights nights(true);
  learn(nights);
  const storage::RunInfo again = nights.pass(38.2, 59.8);
  CHECK(again.device == "Gannet board");
  CHECK(nights.logged("named by itself: Gannet board, odds 99"));
  const auto marks = nights.marks(again.id);
  REQUIRE(marks.size() == 1);
  CHECK(marks[0].text.rfind("named by itself: Gannet board, odds 99", 0) == 0);
  CHECK_FALSE(nights.pass(14.0, 47.0).device);  // a stranger
  CHECK_FALSE(nights.pass(38.2, 20.0).device);  // the idle of one, the load of nobody
}

TEST_CASE("without auto_name no night is named by itself") {
  Nights nights(false);
  learn(nights);
  CHECK_FALSE(nights.pass(38.2, 59.8).device);
}

TEST_CASE("a level that moved is told at the end of the night that shows it, once") {
  Nights nights(true);
  learn(nights);
  // Known by its load and by the nights before: a step of the idle by a hundredth is still the same device.
  const auto pass = [&](double idle_w) {
    const storage::RunInfo run = nights.pass(idle_w, 60.0);
    if (!run.device) nights.name(run.id, "Gannet board");
    return nights.moved();
  };
  for (int i = 0; i < 4; ++i) CHECK(pass(38.2 + (i % 2 == 0 ? 0.05 : -0.05)).empty());
  int told = 0;
  for (int i = 0; i < 4; ++i)
    for (const std::string& line : pass(38.6 + (i % 2 == 0 ? 0.05 : -0.05))) {
      INFO(line);
      CHECK(line.rfind("idle: step, 38.", 0) == 0);
      ++told;
    }
  CHECK(told == 1);
}
