#include "segment_peers.hpp"

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "measure/segment/change_points.hpp"
#include "tests/measure/segments/night.hpp"

namespace nightwatt::bench {
namespace {

namespace fs = std::filesystem;

/// A night on a 0.01 W display once a second: levels of 50 minutes with correlated noise, or one ramp between two.
night::Night levels(double hours) {
  std::vector<night::Act> acts;
  const double watts[] = {5.0, 24.0, 5.1, 60.0, 5.0, 9.0, 30.0, 12.0, 80.0, 7.0};
  for (int k = 0; k * 3000 < hours * 3600; ++k) {
    night::Act a;
    a.length_s = 3000;
    a.level_w = watts[k % 10];
    a.noise_w = 0.05;
    acts.push_back(a);
  }
  return night::play(acts, {1.0, 0.0, 0.01}, 5);
}

night::Night ramp() {
  std::vector<night::Act> acts(3);
  acts[0].length_s = 4000, acts[0].level_w = 12.0, acts[0].noise_w = 0.2;
  acts[1] = acts[0];
  acts[1].length_s = 800, acts[1].end_level_w = 40.0;
  acts[2] = acts[0];
  acts[2].length_s = 5200, acts[2].level_w = 40.0;
  return night::play(acts, {1.0, 0.0, 0.01}, 6);
}

std::size_t found(const night::Night& n, const std::vector<double>& edges, double tolerance_s) {
  std::size_t count = 0;
  for (std::size_t i = 1; i < n.truth.size(); ++i)
    if (std::any_of(edges.begin(), edges.end(),
                    [&](double e) { return std::abs(e - n.truth[i].first) <= tolerance_s; }))
      ++count;
  return count;
}

void print(const char* who, const night::Night& n, const std::vector<double>& edges, double seconds) {
  std::printf("  %-46s %9.4f s, %zu edges, %zu of %zu true ones within 2 s\n", who, seconds, edges.size(),
              found(n, edges, 2.0), n.truth.size() - 1);
}

/// Runs R on the series; its answer's first number is the time in seconds, the rest edges.
void peer(const char* who, const night::Night& n, const std::string& body) {
  const fs::path folder = fs::temp_directory_path() / "nightwatt-bench-peers";
  fs::create_directories(folder);
  {
    std::ofstream series(folder / "series.txt");
    for (const auto& reading : n.readings) series << reading.second << '\n';
    std::ofstream script(folder / "peer.R");
    script << "options(warn = -1)\ny <- scan('" << (folder / "series.txt").string() << "', quiet = TRUE)\n"
           << "x <- seq_along(y) - 1\n"
           << body;
  }
  const std::string command = "Rscript " + (folder / "peer.R").string() + " > " + (folder / "out.txt").string() +
                              " 2> " + (folder / "err.txt").string();
  const int status = std::system(command.c_str());
  std::ifstream answer(folder / "out.txt");
  std::vector<double> numbers;
  for (double v = 0.0; answer >> v;) numbers.push_back(v);
  fs::remove_all(folder);
  if (status != 0 || numbers.empty()) {
    std::printf("  %-46s NOT RUN: needs Rscript and the package (Debian)\n", who);
    return;
  }
  print(who, n, {numbers.begin() + 1, numbers.end()}, numbers[0]);
}

template <typename Work>
double timed(Work work) {
  const auto from = std::chrono::steady_clock::now();
  work();
  return std::chrono::duration<double>(std::chrono::steady_clock::now() - from).count();
}

}  // namespace

void segment_peers() {
  const night::Night steps = levels(27.0);
  std::printf("peers, %zu readings with %zu steps (time of the search alone, wall clock):\n", steps.readings.size(),
              steps.truth.size() - 1);
  std::vector<double> edges;
  const double seconds = timed([&] {
    ChangePoints engine;
    for (const auto& reading : steps.readings) engine.push(reading.second);
    engine.finish();
    for (const std::int64_t c : engine.take_final()) edges.push_back(static_cast<double>(c));
  });
  print("engine", steps, edges, seconds);
  peer("r-bioc-dnacopy (circular binary segmentation)", steps,
       "suppressMessages(library(DNAcopy))\nt <- system.time(s <- segment(CNA(y, rep(1, length(y)), x), verbose = 0))\n"
       "cat(t[3], s$output$loc.start[-1])\n");
  const night::Night way = ramp();
  std::printf("peers, %zu readings with one ramp:\n", way.readings.size());
  edges.clear();
  const double whole = timed([&] {
    for (const Segment& g : night::segment(way, {}).segments)
      if (g.begin > way.readings.front().first) edges.push_back(static_cast<double>(g.begin.us) * 1e-6);
  });
  print("whole chain", way, edges, whole);
  peer("r-cran-segmented (told that there are two)", way,
       "suppressMessages(library(segmented))\nt <- system.time(f <- segmented(lm(y ~ x), seg.Z = ~x, psi = c(3000, "
       "6000)))\n"
       "cat(t[3], f$psi[, 'Est.'])\n");
}

}  // namespace nightwatt::bench
