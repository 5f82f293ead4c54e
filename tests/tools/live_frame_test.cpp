// The live view as a function of what is known and of the room there is.
#include "tools/query/live_frame.hpp"

#include <time.h>

#include <catch2/catch.hpp>
#include <cmath>
#include <cstdlib>
#include <fstream>
#include <iterator>
#include <nlohmann/json.hpp>

#include "text/width.hpp"

using namespace nightwatt;
using namespace nightwatt::query;

namespace {

constexpr UtcTime now{1'767'647'400'000'000};  // 2026-01-05T21:10:00Z

/// What was once looked at and found good. NIGHTWATT_BLESS=1 writes it anew; the difference is read before it is kept.
std::string golden(const std::string& name, const std::string& now_shown) {
  const std::string path = std::string(NIGHTWATT_TEST_DATA) + "/../tools/golden/" + name + ".txt";
  if (std::getenv("NIGHTWATT_BLESS") != nullptr) std::ofstream(path, std::ios::binary) << now_shown;
  std::ifstream in(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}

struct InUtc {
  InUtc() {
    ::setenv("TZ", "UTC0", 1);
    ::tzset();
  }
} const in_utc;

LevelForecast later() {
  LevelForecast forecast;
  forecast.share = 0.021;
  forecast.wait_s = 190.0;
  return forecast;
}

/// Ten minutes of a board that idles at 1.6 W and was given work of 5 W three minutes ago.
LivePicture picture(std::size_t columns) {
  LivePicture result;
  result.now = now;
  result.running = true;
  result.meters = {{"bench", "recording", now, 0.2, 600, 0, {}},
                   {"shelf", "silent", now - Duration(86'000'000), 86.0, 41, 3, {}}};
  LiveCurve curve;
  curve.meter = "bench";
  curve.run = "run 12 (Gannet board)";
  curve.run_id = 12;
  curve.device = "Gannet board";
  curve.power = "5.02 W";
  curve.last = now;
  curve.kind = SegmentKind::plateau;
  curve.kind_for_s = 180.4;
  curve.level = LiveLevel{{5.0123, 0.105}, later()};
  curve.from = now - Duration(600'000'000);
  curve.to = now;
  for (std::size_t i = 0; i < columns; ++i) {
    const bool load = 10 * i >= 7 * columns;
    const double level = load ? 5.0 : 1.6;
    curve.bins.push_back({curve.from + Duration(static_cast<std::int64_t>(600'000'000 * i / columns)), 8, level,
                          level - 0.1, level + (i % 7 == 0 ? 0.8 : 0.1),
                          load ? SegmentKind::plateau : SegmentKind::idle});
  }
  result.curve = curve;
  return result;
}

std::string text_of(const Frame& frame) {
  std::string text;
  for (const FrameLine& line : frame) {
    std::string one = line_text(line, Style{});
    one.erase(one.find_last_not_of(' ') + 1);
    text += one + "\n";
  }
  return text;
}

std::string drawn(const LivePicture& what, ScreenSize size, bool with_meters = true) {
  return text_of(live_frame(what, {}, size, with_meters));
}

LevelForecast never(std::vector<PartKind> limits, double least_share) {
  LevelForecast forecast;
  forecast.verdict = LevelForecast::Verdict::never;
  forecast.limits = std::move(limits);
  forecast.least_share = least_share;
  return forecast;
}

}  // namespace

TEST_CASE("a usual terminal shows title, power, level with its wait, curve, meters and keys") {
  const ScreenSize size{80, 24};
  const std::string shown = drawn(picture(live_columns(size)), size);
  CHECK(shown == golden("live_80x24", shown));
}

TEST_CASE("a small terminal shows what matters: a lower curve, and the words before the curve") {
  const std::string lower = drawn(picture(40), {50, 14}, false);
  CHECK(lower == golden("live_50x14", lower));
  const std::string words = drawn(picture(20), {30, 6});
  CHECK(words == golden("live_30x6", words));
}

TEST_CASE("no size of terminal gets a line too wide or a row too many") {
  for (std::size_t rows = 1; rows <= 30; ++rows)
    for (std::size_t columns = 1; columns <= 130; columns += 3) {
      const ScreenSize size{columns, rows};
      for (const bool with_meters : {true, false}) {
        const Frame frame = live_frame(picture(live_columns(size)), {}, size, with_meters);
        CHECK(frame.size() == rows);
        for (const FrameLine& line : frame) CHECK(line_width(line) <= columns);
      }
    }
}

TEST_CASE("what cannot be had is said: no service, no reading, no run, settling, no level yet") {
  LivePicture p = picture(70);
  p.running = false;
  p.trouble = "the service is down: nothing is being recorded; waiting for it";
  CHECK_THAT(drawn(p, {80, 24}), Catch::Contains("the service is down"));
  p = picture(70);
  p.curve->settling = true;
  CHECK_THAT(drawn(p, {80, 24}), Catch::Contains("plateau for 3 min, settling"));
  p.curve->level.reset();
  CHECK_THAT(drawn(p, {80, 24}), Catch::Contains("no level yet"));
  p.curve->kind.reset();
  p.curve->run.clear();
  p.curve->last = now - Duration(75'000'000);
  CHECK_THAT(drawn(p, {80, 24}), Catch::Contains("5.02 W, 75 s ago  no run is open"));
  p.curve->power.clear();
  p.curve->last.reset();
  CHECK_THAT(drawn(p, {80, 24}), Catch::Contains("no reading yet"));
  p.curve.reset();
  p.meters.clear();
  CHECK_THAT(drawn(p, {80, 24}), Catch::StartsWith("no meter yet"));
}

TEST_CASE("the wait for 1 % is said in round numbers, and what forbids it by name") {
  LevelForecast forecast = later();
  CHECK(forecast_text(forecast) == "good to 1 % in about 3 min");
  forecast.wait_s = 41.2;
  CHECK(forecast_text(forecast) == "good to 1 % in about 41 s");
  forecast.wait_s = 9100.0;
  CHECK(forecast_text(forecast) == "good to 1 % in about 3 h");
  forecast.verdict = LevelForecast::Verdict::good;
  CHECK(forecast_text(forecast) == "good to 1 %");
  CHECK(forecast_text(never({PartKind::display_step}, 0.0238)) == "will not get to 1 %: display step leaves 2.4 %");
  CHECK(forecast_text(never({PartKind::display_step, PartKind::meter_accuracy}, 0.118)) ==
        "will not get to 1 %: display step and meter accuracy leaves 12 %");
}

TEST_CASE("a hostile name is shown as it is written, never obeyed") {
  LivePicture p = picture(70);
  p.curve->meter = p.meters[0].name = "be\x1b[2Jnch\n";
  const std::string text = drawn(p, {80, 24});
  CHECK(text.find('\x1b') == std::string::npos);
  CHECK_THAT(text, Catch::Contains("be\\x1b[2Jnch"));
}

TEST_CASE("without a screen a moment is one line, or one JSON object") {
  const std::string line = live_line(picture(70));
  CHECK(line ==
        "2026-01-05 21:10:00 +00:00  bench  run 12 (Gannet board)  5.02 W  plateau for 3 min  "
        "level so far 5.01 ± 0.11 W (2.1 %)  good to 1 % in about 3 min");
  std::string text;
  {
    Sink sink(text);
    write_live_json(sink, picture(70));
  }
  const auto json = nlohmann::json::parse(text);
  CHECK(json["meter"] == "bench");
  CHECK(json["run"] == 12);
  CHECK(json["power_w"] == 5.02);
  CHECK(json["kind"] == "plateau");
  CHECK(json["level_w"] == 5.0123);
  CHECK(json["good_to_1_percent"] == false);
  CHECK(json["good_in_s"] == 190.0);
  CHECK(json["limited_by"].is_null());
  CHECK(json["time"] == "2026-01-05T21:10:00.000Z");
}
