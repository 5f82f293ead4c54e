// Nights of the whole service in a simulated world: how many it gets through, with how many faults, and in what time.
//
//   bench_world [NIGHTS] [SEED] [MINUTES] [FAULTS] [first|names]
//   bench_world calls [first]
//
// `calls`: two short nights once for every call on the disk and every kind of fault at it, and for a thousand
// allocations of each kind.
// Prints the seed of a night in which the store did not tell the truth, and the smallest night found that does the
// same. The same seed, minutes and faults are the same night again. `first`: stops at the first, and only names it.
// `names`: names all of them and makes none smaller.
#include <chrono>
#include <cstdint>
#include <cstdlib>
#include <ctime>
#include <iostream>
#include <string>

#include "tests/world/night.hpp"
#include "tests/world/sim_memory.hpp"

namespace {

using namespace nightwatt;
using namespace nightwatt::world;

std::uint64_t number(int argc, char** argv, int place, std::uint64_t otherwise) {
  return argc > place ? std::strtoull(argv[place], nullptr, 10) : otherwise;
}

void show(const Night& night, const Outcome& outcome) {
  std::cout << "seed " << night.seed << ": " << outcome.problem << "\n";
  const Night smaller = made_smaller(night, 200);
  std::vector<std::string> log;
  const Outcome again = live(smaller, &log);
  std::cout << "made smaller: " << night_text(smaller) << "\n  comes to: " << again.problem << "\n";
  for (const std::string& line : log) std::cout << "    " << line << "\n";
}

// At every call on the disk that may fail, and at a thousand allocations of each kind.
int try_all_calls(bool only_first) {
  std::uint64_t failed = 0, tried = 0;
  const auto try_one = [&](const Night& moment, CallFault fault, std::uint64_t call) {
    if (only_first && failed > 0) return;
    const Night night = with_call_fault(moment, fault, call);
    const Outcome outcome = live(night);
    ++tried;
    if (outcome.problem.empty()) return;
    ++failed;
    if (only_first) std::cout << "found in moment " << tried << ": " << outcome.problem << std::endl;
    if (!only_first) std::cout << outcome.problem << "\n" << night_text(night) << "\n";
  };
  for (const Night& moment : {brief_moment(), busy_moment()}) {
    const std::uint64_t sqlite_before = allocations();
    const std::uint64_t own_before = news();
    const std::uint64_t calls = live(moment).chances;
    const std::uint64_t of_sqlite = allocations() - sqlite_before;
    const std::uint64_t of_its_own = news() - own_before;
    for (const CallFault fault : {CallFault::kill, CallFault::power_cut, CallFault::error, CallFault::full})
      for (std::uint64_t call = 1; call <= calls; ++call) try_one(moment, fault, call);
    constexpr std::uint64_t tried_of_each = 1000;  // of some ten thousand, evenly
    for (std::uint64_t n = 1; n <= of_sqlite; n += 1 + of_sqlite / tried_of_each)
      try_one(moment, CallFault::no_memory, n);
    for (std::uint64_t n = 1; n <= of_its_own; n += 1 + of_its_own / tried_of_each)
      try_one(moment, CallFault::no_memory_of_its_own, n);
    std::cout << "calls on the disk " << calls << ", allocations by SQLite " << of_sqlite << ", by the service "
              << of_its_own << "; so far " << failed << " of " << tried << " moments went wrong" << std::endl;
  }
  return failed == 0 ? 0 : 1;
}

}  // namespace

int main(int argc, char** argv) {
  if (argc > 1 && std::string(argv[1]) == "calls") return try_all_calls(argc > 2 && std::string(argv[2]) == "first");
  const std::uint64_t nights = number(argc, argv, 1, 300);
  const std::uint64_t first = number(argc, argv, 2, 1);
  const Duration length{static_cast<std::int64_t>(number(argc, argv, 3, 10)) * 60'000'000};
  const std::uint64_t faults = number(argc, argv, 4, 30);
  const bool only_first = argc > 5 && std::string(argv[5]) == "first";
  const bool only_names = argc > 5 && std::string(argv[5]) == "names";
  constexpr std::uint64_t failures_shown = 5;
  std::uint64_t failed = 0, befell = 0, readings = 0, starts = 0, calls = 0;
  const auto began = std::chrono::steady_clock::now();
  for (std::uint64_t seed = first; seed < first + nights && (only_names || failed < failures_shown); ++seed) {
    const Night night = make_night(seed, length, faults);
    const Outcome outcome = live(night);
    befell += outcome.faults;
    readings += outcome.readings;
    starts += outcome.starts;
    calls += outcome.disk_calls;
    if (outcome.problem.empty()) continue;
    ++failed;
    if (only_first) {
      std::cout << "found in night " << seed - first + 1 << ": " << outcome.problem << "\n";
      return 1;
    }
    if (only_names)
      std::cout << "seed " << seed << ": " << outcome.problem << std::endl;
    else
      show(night, outcome);
  }
  const double took_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count();
  // On a machine that is busy with other things the processor's time alone says what a night costs.
  const double worked_s = static_cast<double>(std::clock()) / static_cast<double>(CLOCKS_PER_SEC);
  std::cout << "nights " << nights << " of " << length.count() / 60'000'000 << " min, seeds " << first << " to "
            << first + nights - 1 << ", faults " << befell << ", starts " << starts << ", readings " << readings
            << ", calls on the disk " << calls << ", " << took_s << " s, " << worked_s << " s of a core (on two, "
            << static_cast<std::uint64_t>(7200.0 * static_cast<double>(nights) / worked_s) << " an hour): " << failed
            << " went wrong\n";
  return failed == 0 ? 0 : 1;
}
