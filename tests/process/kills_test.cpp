// kill -9 at any moment: what the store holds afterwards, against the simulator's own record of what it sent.
#include <catch2/catch.hpp>
#include <csignal>
#include <set>

#include "comparison.hpp"
#include "harness.hpp"

namespace nightwatt::process {
namespace {

// The service commits when 0.8 of it have passed; the rest is for the commit, and for a machine that runs other tests
// beside this one. Twice as much under a sanitizer, which slows the commit.
const double flush_s = slowness() > 1.0 ? 2.0 : 1.0;
// Of 600, less what five kills may take at 40 simulated seconds a second, the unplugged half minute and the faults.
const std::size_t least_stored = slowness() > 1.0 ? 150 : 300;
// A reading sent this shortly before an end in order may still be on its way through the pseudo-terminal.
constexpr double on_the_way_s = 0.3;
constexpr double late_limit_s = 1.0;

// Ten minutes: a device with its start-up, idle and load, and a meter with a fault of every kind its protocol knows.
constexpr const char* ten_minutes =
    "voltage 229.8 noise 0.3\nenergy 12.5\n"
    "level 1.4 for 40\nirregular 9 28 every 1.5s for 40\nnoise white 0.3\nnoise correlated 0.2 over 20s\n"
    "level 8.2 for 150\nsettle 24.5 from 28 tau 30s for 200\nlevel 8.2 for 1h\n"
    "at 30 noise 200\nat 90 cut\nat 130 checksum 3\nat 170 silence 15\nat 250 garbage 20\nat 330 unplug 30\n"
    "at 400 cut 2\nat 470 checksum\nevery 60s from 31s until 590s noise 7\n";

// When the service surely listened, in real time; a kill or the end closes each.
struct Up {
  double from_unix_s;
  double to_unix_s;
  bool killed;
};

// Lost on the wire, as nothing but a better wire could prevent: the frame that runs into a cut one or into noise before
// it, and what came while the service was yet to find the port again.
class WireLosses {
 public:
  WireLosses(const std::vector<SentFrame>& sent, const Comparison& comparison) {
    for (std::size_t i = 1; i < sent.size(); ++i)
      if (sent[i - 1].fate == "cut") excused_.insert(&sent[i]);
    for (double noise_s = 31.0; noise_s <= 590.0; noise_s += 60.0) excuse_first_after(sent, noise_s);
    excuse_first_after(sent, 30.0);
    excuse_first_after(sent, 270.0);  // the garbage's end
    for (const SentFrame* frame : comparison.found)
      if (frame->simulated_s >= 360.0) {
        back_s_ = frame->unix_s;
        break;
      }
    for (const SentFrame& frame : sent)
      if (frame.simulated_s >= 360.0 && frame.unix_s < back_s_) {
        if (away_s_ == 0.0) away_s_ = frame.unix_s;
        excused_.insert(&frame);
      }
  }
  [[nodiscard]] bool excuses(const SentFrame* frame) const { return excused_.contains(frame); }
  /// How long the service needed to find the port that was back.
  [[nodiscard]] double return_s() const { return away_s_ == 0.0 ? 0.0 : back_s_ - away_s_; }

 private:
  void excuse_first_after(const std::vector<SentFrame>& sent, double simulated_s) {
    for (const SentFrame& frame : sent)
      if (frame.simulated_s >= simulated_s) {
        excused_.insert(&frame);
        return;
      }
  }
  std::set<const SentFrame*> excused_;
  double back_s_ = 0.0;
  double away_s_ = 0.0;
};

TEST_CASE("ten minutes of a faulty meter with five kills and an unplug lose at most flush_s each, and nothing else") {
  Bench bench(line_profile(), "shortest_segment_s = 1", flush_s);
  bench.start_meter(ten_minutes, 40.0);
  std::vector<Up> ups;
  double up_since = 0.0;
  const auto start = [&] {
    bench.start_service();
    const long before = bench.readings();
    REQUIRE(eventually(10.0, [&] { return bench.readings() > before; }));
    up_since = unix_now_s();
  };
  start();
  for (const double kill_at_s : {75.0, 160.0, 240.0, 430.0, 520.0}) {
    REQUIRE(eventually(30.0, [&] { return bench.simulated_s() >= kill_at_s; }));
    const double now_s = unix_now_s();
    bench.kill_service();
    ups.push_back({up_since, now_s, true});
    CHECK(bench.integrity() == "ok");
    start();
  }
  // The meter was plugged out at 330 s and in again at 360 s, between the third kill and the fourth.
  REQUIRE(eventually(30.0, [&] { return bench.simulated_s() >= 600.0; }));
  const double stopped_at = unix_now_s();
  REQUIRE(bench.stop_service() == 0);
  ups.push_back({up_since, stopped_at, false});

  const Answer check = bench.ask({"--json", "check"});
  INFO(check.out << check.err);
  CHECK(check.status == 0);
  CHECK(check.json().value("ok", false));
  CHECK(bench.integrity() == "ok");

  const auto sent = bench.sent();
  const auto stored = bench.stored();
  const Comparison comparison = compare(sent, stored, late_limit_s);
  REQUIRE(comparison.problem == "");
  CHECK(stored.size() > least_stored);
  const WireLosses wire(sent, comparison);
  CHECK(wire.return_s() < 3.0 * slowness());
  for (const Up& up : ups) {
    std::size_t lost = 0;
    double oldest_s = up.to_unix_s;
    for (const SentFrame* frame :
         not_stored(sent, comparison, up.from_unix_s, up.to_unix_s - (up.killed ? 0.0 : on_the_way_s)))
      if (!wire.excuses(frame)) {
        ++lost;
        oldest_s = std::min(oldest_s, frame->unix_s);
      }
    CAPTURE(up.from_unix_s, up.to_unix_s, up.killed, lost);
    // A service ended in order loses nothing.
    CHECK(up.to_unix_s - oldest_s <= (up.killed ? flush_s : 0.0));
  }
}

}  // namespace
}  // namespace nightwatt::process
