#include "daemon/control_request.hpp"

#include <catch2/catch.hpp>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <random>
#include <type_traits>
#include <variant>

#include "daemon/control.hpp"
#include "tests/daemon/support.hpp"

using namespace nightwatt;
using namespace nightwatt::daemon;
using Json = nlohmann::json;

TEST_CASE("a begin request brings everything it may carry") {
  const auto parsed = parse_control_request(
      R"({"do":"begin","device":"Puffin mini","meter":"bench","note":"first night","includes":["adapter","display"],)"
      R"("set":{"battery":"full","ambient_c":"21"},"at_us":1767646800000000})");
  REQUIRE(parsed);
  const auto& begin = std::get<BeginRequest>(*parsed);
  CHECK(begin.device == "Puffin mini");
  CHECK(begin.meter == "bench");
  CHECK(begin.note == "first night");
  CHECK(begin.includes == std::vector<std::string>{"adapter", "display"});
  CHECK(begin.conditions.size() == 2);
  CHECK(begin.at == test::evening);
}

TEST_CASE("status, end and split are understood with and without their options") {
  CHECK(std::holds_alternative<StatusRequest>(*parse_control_request(R"({"do":"status"})")));
  const auto end = parse_control_request(R"({"do":"end"})");
  REQUIRE(end);
  CHECK_FALSE(std::get<EndRequest>(*end).meter);
  CHECK_FALSE(std::get<EndRequest>(*end).at);
  const auto split = parse_control_request(R"({"do":"split","run":12,"at_us":5})");
  REQUIRE(split);
  CHECK(std::get<SplitRequest>(*split).run == 12);
  CHECK(std::get<SplitRequest>(*split).at == UtcTime{5});
}

TEST_CASE("join, mark and unmark are understood") {
  const auto join = parse_control_request(R"({"do":"join","run":12})");
  REQUIRE(join);
  CHECK(std::get<JoinRequest>(*join).run == 12);
  const auto mark = parse_control_request(R"({"do":"mark","meter":"bench","record_us":5,"text":"lid","kind":"idle"})");
  REQUIRE(mark);
  CHECK(std::get<MarkRequest>(*mark).mark.meter == "bench");
  CHECK(std::get<MarkRequest>(*mark).mark.at == UtcTime{5});
  CHECK(std::get<MarkRequest>(*mark).mark.kind == SegmentKind::idle);
  CHECK_FALSE(std::get<MarkRequest>(*mark).remove);
  const auto unmark = parse_control_request(R"({"do":"unmark","mark":3})");
  REQUIRE(unmark);
  CHECK(std::get<MarkRequest>(*unmark).remove);
  CHECK(std::get<MarkRequest>(*unmark).mark.id == 3);
}

namespace {

/// Texts that a name may be: quotes, backslashes and letters of more than one byte among them.
std::string some_name(std::mt19937& random) {
  static const std::vector<std::string> parts{"a", "Z", " ", "\"", "\\", "/", "{", "\u00E5", "\u6C34", "0", ":", ","};
  std::string name;
  for (auto left = 1 + random() % 12; left > 0; --left) name += parts[random() % parts.size()];
  return name;
}
template <class Make>
auto perhaps(std::mt19937& random, Make make) -> std::optional<decltype(make())> {
  if (random() % 2 == 0) return std::nullopt;
  return make();
}

MarkRequest some_mark(std::mt19937& random, storage::RunId number, UtcTime at) {
  MarkRequest marking;
  if (random() % 4 == 0) {
    marking.remove = true;
    marking.mark.id = number;
    return marking;
  }
  if (random() % 2 == 0)
    marking.mark.run = number;
  else
    marking.mark.meter = some_name(random);
  marking.mark.at = at;
  marking.mark.text = random() % 4 == 0 ? std::string() : some_name(random);
  if (random() % 2 == 0) marking.mark.kind = SegmentKind::idle;
  return marking;
}

BeginRequest some_begin(std::mt19937& random, std::optional<UtcTime> at) {
  const auto name = [&] { return some_name(random); };
  BeginRequest begin{name(), perhaps(random, name), random() % 2 == 0 ? name() : std::string(), {}, {}, at};
  for (auto left = random() % 4; left > 0; --left) begin.includes.push_back(name());
  std::map<std::string, std::string> conditions;  // as an object of JSON has them: each key once, by the alphabet
  for (auto left = random() % 4; left > 0; --left) conditions[name()] = name();
  begin.conditions.assign(conditions.begin(), conditions.end());
  return begin;
}

ControlRequest some_request(std::mt19937& random) {
  const auto name = [&] { return some_name(random); };
  const auto number = static_cast<std::int64_t>(random()) * (random() % 2 == 0 ? 1 : 1'000'003);
  const UtcTime at{static_cast<std::int64_t>(random()) * 1'000'003};
  const auto time = perhaps(random, [&] { return at; });
  switch (random() % std::variant_size_v<ControlRequest>) {
    case 0:
      return StatusRequest{};
    case 1:
      return CaptureRequest{name(), perhaps(random, [&] { return static_cast<std::uint64_t>(number); })};
    case 2:
      return some_begin(random, time);
    case 3:
      return EndRequest{perhaps(random, name), time};
    case 4:
      return SplitRequest{number, at};
    case 5:
      return JoinRequest{number};
    default:
      return some_mark(random, number, at);
  }
}

bool same(const StatusRequest&, const StatusRequest&) {
  return true;
}
bool same(const CaptureRequest& a, const CaptureRequest& b) {
  return a.meter == b.meter && a.after == b.after;
}
bool same(const BeginRequest& a, const BeginRequest& b) {
  return a.device == b.device && a.meter == b.meter && a.note == b.note && a.includes == b.includes &&
         a.conditions == b.conditions && a.at == b.at;
}
bool same(const EndRequest& a, const EndRequest& b) {
  return a.meter == b.meter && a.at == b.at;
}
bool same(const SplitRequest& a, const SplitRequest& b) {
  return a.run == b.run && a.at == b.at;
}
bool same(const JoinRequest& a, const JoinRequest& b) {
  return a.run == b.run;
}
bool same(const MarkRequest& a, const MarkRequest& b) {
  return a.remove == b.remove && a.mark.id == b.mark.id && a.mark.run == b.mark.run && a.mark.meter == b.mark.meter &&
         a.mark.at == b.mark.at && a.mark.text == b.mark.text && a.mark.kind == b.mark.kind;
}

}  // namespace

TEST_CASE("every request that can be made comes back from its line as it was") {
  constexpr unsigned seed = 20261127;
  constexpr int requests = 3000;
  std::mt19937 random(seed);
  std::map<std::size_t, int> of_kind;
  for (int i = 0; i < requests; ++i) {
    const ControlRequest request = some_request(random);
    const auto line = request_line(request);
    REQUIRE(line);
    CAPTURE(seed, i, *line);
    CHECK(line->find('\n') == line->size() - 1);
    const auto parsed = parse_control_request(*line);
    REQUIRE(parsed);
    REQUIRE(parsed->index() == request.index());
    CHECK(std::visit([&](const auto& one) { return same(one, std::get<std::decay_t<decltype(one)>>(*parsed)); },
                     request));
    ++of_kind[request.index()];
  }
  CHECK(of_kind.size() == std::variant_size_v<ControlRequest>);
}

TEST_CASE("a request with bytes that are no text has no line and is refused as wrong input") {
  const auto line = request_line(BeginRequest{"lamp \xFF", {}, {}, {}, {}, {}});
  REQUIRE_FALSE(line);
  CHECK(line.error().kind == ErrorKind::input);
}

TEST_CASE("what is not a request is refused as wrong input, in one line") {
  const std::string long_name(257, 'x');
  for (const std::string& bad : {std::string(),
                                 std::string("{"),
                                 std::string("[]"),
                                 std::string("null"),
                                 std::string("{}"),
                                 std::string("\xFF\xFE"),
                                 std::string(R"({"do":"reboot"})"),
                                 std::string(R"({"do":1})"),
                                 std::string(R"({"do":"status","x":1})"),
                                 std::string(R"({"do":"begin"})"),
                                 std::string(R"({"do":"begin","device":7})"),
                                 std::string(R"({"do":"begin","device":"a\u0000b"})"),
                                 std::string(R"({"do":"begin","device":"a\nb"})"),
                                 R"({"do":"begin","device":")" + long_name + R"("})",
                                 std::string(R"({"do":"begin","device":"a","includes":"b"})"),
                                 std::string(R"({"do":"begin","device":"a","set":{"b":1}})"),
                                 std::string(R"({"do":"begin","device":"a","at_us":1.5})"),
                                 std::string(R"({"do":"end","at_us":-1})"),
                                 std::string(R"({"do":"end","at_us":18446744073709551615})"),
                                 std::string(R"({"do":"end","meter":""})"),
                                 std::string(R"({"do":"split","run":1})"),
                                 std::string(R"({"do":"join"})"),
                                 std::string(R"({"do":"mark","record_us":5,"text":"x"})"),
                                 std::string(R"({"do":"mark","run":1,"meter":"m","record_us":5,"text":"x"})"),
                                 std::string(R"({"do":"mark","run":1,"record_us":5,"text":"a\nb"})"),
                                 std::string(R"({"do":"mark","run":1,"record_us":5,"text":"x","kind":"gap"})"),
                                 std::string(R"({"do":"unmark"})"),
                                 std::string(R"({"do":"split","at_us":1})")}) {
    CAPTURE(bad);
    const auto parsed = parse_control_request(bad);
    REQUIRE_FALSE(parsed);
    CHECK(parsed.error().kind == ErrorKind::input);
    CHECK(parsed.error().message.find('\n') == std::string::npos);
  }
}

TEST_CASE("random bytes and broken requests are refused without harm") {
  constexpr unsigned seed = 20260105;
  CAPTURE(seed);
  std::mt19937 random(seed);
  const std::string good = R"({"do":"begin","device":"Gannet board","set":{"supply_v":"230"},"at_us":1})";
  for (int round = 0; round < 2000; ++round) {
    std::string text = good;
    for (unsigned change = 0; change < 1 + random() % 4; ++change)
      text[random() % text.size()] = static_cast<char>(random() % 256);
    (void)parse_control_request(text.substr(0, random() % (text.size() + 1)));
  }
  const std::string deep(control_request_limit, '[');
  CHECK_FALSE(parse_control_request(deep));
}

TEST_CASE("the status answer is one line and has the contract's words") {
  ServiceStatus status;
  status.version = "1";
  status.since = test::evening;
  status.meters.push_back({"bench", "recording", test::evening, 0.5, 12, 1, 0});
  status.meters.push_back({"spare", "missing", std::nullopt, std::nullopt, 0, 0, 0});
  const std::string answer = status_answer(status);
  CHECK(answer.find('\n') == answer.size() - 1);
  const Json json = Json::parse(answer);
  CHECK(json["ok"] == true);
  CHECK(json["meters"][0]["name"] == "bench");
  CHECK(json["meters"][0]["state"] == "recording");
  CHECK(json["meters"][0]["last"] == "2026-01-05T21:00:00.000Z");
  CHECK(json["meters"][0]["age_s"] == 0.5);
  CHECK(json["meters"][0]["readings"] == 12);
  CHECK(json["meters"][0]["faults"] == 1);
  CHECK(json["meters"][1]["last"].is_null());
  CHECK(json["meters"][1]["age_s"].is_null());
}

TEST_CASE("an error answer carries the exit status") {
  const Json json = Json::parse(error_answer({ErrorKind::negative, "run 3 is open"}));
  CHECK(json["ok"] == false);
  CHECK(json["exit"] == 1);
  CHECK(json["error"] == "run 3 is open");
}
