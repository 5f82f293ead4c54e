#include "daemon/port_tap.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "daemon/control_request.hpp"

using namespace nightwatt;
using namespace nightwatt::daemon;

namespace {

TappedPiece piece(std::size_t size, unsigned value = 0x41) {
  return {UtcTime{5}, false, std::vector<std::byte>(size, static_cast<std::byte>(value))};
}
MonoTime at(std::int64_t us) {
  return MonoTime{} + Duration{us};
}

}  // namespace

TEST_CASE("a port is tapped from the first question on, each piece is told to whoever asks, and it ends by itself") {
  PortTap tap;
  tap.add(at(0), piece(3));
  CHECK_FALSE(tap.on());
  const auto begun = tap.take(at(1), std::nullopt);
  CHECK(begun.pieces.empty());
  CHECK(tap.on());
  tap.add(at(2), piece(3));
  tap.add(at(3), piece(4));
  CHECK(tap.take(at(4), begun.next).pieces.size() == 2);
  const auto again = tap.take(at(5), begun.next + 1);  // two may ask
  REQUIRE(again.pieces.size() == 1);
  CHECK(again.pieces[0].bytes.size() == 4);
  CHECK(again.missed == 0);
  tap.add(at(6) + PortTap::silence_limit, piece(1));
  CHECK_FALSE(tap.on());
  const auto later = tap.take(at(7) + PortTap::silence_limit, again.next);
  CHECK(later.pieces.empty());
}

TEST_CASE("what nobody fetches is dropped, counted, and takes no more than its room") {
  PortTap tap;
  const auto begun = tap.take(at(0), std::nullopt);
  for (int i = 0; i < 100; ++i) tap.add(at(i), piece(4096));
  const auto answer = tap.take(at(100), begun.next);
  CHECK(answer.pieces.size() == PortTap::bytes_limit / 4096);
  CHECK(answer.missed == 100 - answer.pieces.size());
  CHECK(answer.next == begun.next + 100);
  for (std::size_t i = 0; i < 2 * PortTap::pieces_limit; ++i) tap.add(at(101), piece(1));
  CHECK(tap.take(at(102), answer.next).pieces.size() == PortTap::pieces_limit);
  CHECK(tap.take(at(102), ~std::uint64_t{0}).pieces.empty());
}

TEST_CASE("a capture is asked for and answered over the control socket") {
  const auto first = parse_control_request(R"({"do":"capture","meter":"bench"})");
  REQUIRE(first);
  CHECK(std::get<CaptureRequest>(*first).meter == "bench");
  CHECK_FALSE(std::get<CaptureRequest>(*first).after);
  const auto next = parse_control_request(R"({"do":"capture","meter":"bench","after":7})");
  REQUIRE(next);
  CHECK(std::get<CaptureRequest>(*next).after == 7U);
  for (const char* bad : {R"({"do":"capture"})", R"({"do":"capture","meter":""})",
                          R"({"do":"capture","meter":"bench","after":-1})", R"({"do":"capture","meter":"b","x":1})"})
    CHECK_FALSE(parse_control_request(bad).has_value());
  PortTap::Answer tapped;
  tapped.next = 9;
  tapped.pieces.push_back({UtcTime{12}, true, {std::byte{0x01}, std::byte{0xFE}}});
  const auto json = nlohmann::json::parse(capture_answer(tapped, "recording"));
  CHECK(json["ok"] == true);
  CHECK(json["next"] == 9);
  CHECK(json["state"] == "recording");
  CHECK(json["pieces"] == nlohmann::json::parse(R"([[12, true, "01fe"]])"));
}
