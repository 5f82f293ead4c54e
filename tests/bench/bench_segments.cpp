// How good and how fast the segmenter is: real traces with logged edges, plug days, nights with known truth, speed.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <ctime>
#include <random>

#include "measure/segment/change_points.hpp"
#include "segment_peers.hpp"
#include "tests/measure/segments/night.hpp"
#include "trace_files.hpp"

namespace nightwatt::bench {
namespace {

void print_segments(const std::vector<Segment>& segments) {
  for (const Segment& g : segments)
    std::printf(
        "    %-9s %9.1f - %9.1f  n %6lld  level %9.3f +- %7.3f  mean %9.3f  low %8.2f high %8.2f exc %lld settle "
        "%.1f%s duty %.2f drift %.2f\n",
        std::string(segment_kind_name(g.kind)).c_str(), static_cast<double>(g.begin.us) * 1e-6,
        static_cast<double>(g.end.us) * 1e-6, static_cast<long long>(g.samples), g.level_w.value_or(NAN),
        g.uncertainty_w.value_or(NAN), g.mean_w.value_or(NAN), g.lowest_w.value_or(NAN), g.highest_w.value_or(NAN),
        static_cast<long long>(g.excursions), g.settling_s.value_or(NAN), g.settling_unfinished ? " not settled" : "",
        g.duty.value_or(NAN), g.drift_w_per_h.value_or(NAN));
}

void computers(const std::string& folder, bool verbose) {
  TraceScore all;
  int traces = 0, lowest = 0;
  double least = 1.0;
  std::printf("%-16s %6s %7s %7s %7s %7s %22s\n", "trace", "edges", "in 5 s", "in 2 s", "bounds", "steady",
              "window in one plateau");
  for (const std::string& path : trace_paths(folder)) {
    const Trace trace = read_trace(path, 0.0);
    if (trace.truth_s.empty()) continue;
    const Classified result = segment(trace, {});
    const TraceScore s = score(trace, result.segments);
    std::printf("%-16s %6d %7d %7d %7d %7d %22.3f\n", trace.name.c_str(), s.edges, s.within_5_s, s.within_2_s,
                s.boundaries, s.steady, s.least_window_share);
    if (verbose) {
      for (const double t : s.missed_s) std::printf("    missed %.1f\n", t);
      print_segments(result.segments);
    }
    ++traces;
    all.edges += s.edges;
    all.within_5_s += s.within_5_s;
    all.within_2_s += s.within_2_s;
    all.boundaries += s.boundaries;
    least = std::min(least, s.least_window_share);
    lowest += s.least_window_share < 0.95 ? 1 : 0;
  }
  if (traces == 0) {
    std::printf("no traces in %s\n", folder.c_str());
    return;
  }
  std::printf(
      "edges %d, within 5 s %d (%.3f), within 2 s %d (%.3f), bounds a trace %.1f, least window %.3f, traces with a "
      "window below 0.95: %d\n",
      all.edges, all.within_5_s, all.within_5_s / static_cast<double>(all.edges), all.within_2_s,
      all.within_2_s / static_cast<double>(all.edges), all.boundaries / static_cast<double>(traces), least, lowest);
}

void plugs(const std::string& folder, bool verbose) {
  for (const std::string& path : trace_paths(folder)) {
    const Trace trace = read_trace(path, 0.0);
    const Classified result = segment(trace, {});
    const auto gaps = std::count_if(result.segments.begin(), result.segments.end(),
                                    [](const Segment& g) { return g.kind == SegmentKind::gap; });
    // Gaps are hard boundaries: what one would draw across them counts once.
    std::ptrdiff_t drawn = 0;
    const Segment* last = nullptr;
    for (const Segment& g : result.segments) {
      if (g.kind == SegmentKind::gap) continue;
      drawn += last == nullptr || last->kind != g.kind || (last->end == g.begin) ? 1 : 0;
      last = &g;
    }
    std::printf("%-16s %zu segments of %zu readings: %td gaps, %td others, %td where a gap between equals is no edge\n",
                trace.name.c_str(), result.segments.size(), trace.readings.size(), gaps,
                static_cast<std::ptrdiff_t>(result.segments.size()) - gaps, drawn);
    if (verbose) print_segments(result.segments);
  }
}

void print_score(const char* name, const night::Score& s) {
  std::printf(
      "%-34s boundary F1 %.3f (true %.0f, found %.0f, reported %.0f), kinds right %.4f of time, levels right %.3f of "
      "%.0f, inside +- %.3f, edges inside +- %.3f\n",
      name, s.f1(), s.true_edges, s.found_edges, s.reported, s.right_time_s / s.time_s,
      s.right_levels / std::max(1.0, s.levels), s.levels, s.covered_levels / std::max(1.0, s.levels),
      s.covered_edges / std::max(1.0, s.judged_edges));
}

/// A night's slips with what the device did before and after.
void explain(const char* row, std::uint64_t seed, const night::Night& n, const night::Score& s) {
  for (const night::Slip& slip : s.slips) {
    std::size_t at = 0;
    while (at + 1 < n.truth.size() && n.truth[at + 1].first <= slip.at_s + (slip.missed ? 1e-6 : 0.0)) ++at;
    const auto text = [&](std::size_t i) {
      const night::Act& a = n.truth[i].second;
      char line[96];
      std::snprintf(line, sizeof line, "%s %.2f..%.2f settle %.2f noise %.3f %.0f s",
                    std::string(segment_kind_name(a.kind)).c_str(), a.level_w, a.end_level_w, a.settle_w, a.noise_w,
                    a.length_s);
      return std::string(line);
    };
    std::printf("  %s seed %d %s %.1f off %.1f: %s%s\n", row, static_cast<int>(seed), slip.missed ? "MISSED" : "FALSE",
                slip.at_s, slip.nearest_s, slip.missed && at > 0 ? (text(at - 1) + " | ").c_str() : "",
                text(at).c_str());
  }
}

/// `first_seed`: 1 to 1000 were looked at while the rules were made, 5001 on only counted.
void nights(bool verbose, std::uint64_t first_seed) {
  night::Score all;
  for (const night::Row& row : night::rows()) {
    night::Score sum;
    for (std::uint64_t seed = first_seed; seed < first_seed + row.count; ++seed) {
      const night::Night n = night::play(night::plan(seed, row.device), row.meter, seed);
      const Classified result = night::segment(n, {});
      const night::Score s = night::score(n, row.meter, result.segments);
      if (verbose) explain(row.name, seed, n, s);
      sum.add(s);
    }
    print_score(row.name, sum);
    all.add(sum);
  }
  night::Score close;
  for (std::uint64_t seed = first_seed; seed < first_seed + 10; ++seed) {
    const night::Meter meter{1.0, 0.0, 0.1};
    const night::Night n = night::play(night::close_levels(seed), meter, seed);
    const night::Score s = night::score(n, meter, night::segment(n, {}).segments);
    if (verbose) explain("ten levels", seed, n, s);
    close.add(s);
  }
  print_score("ten levels 6 % apart, 0.1 W, 1 Hz", close);
  all.add(close);
  print_score("all nights", all);
}

/// One night in full.
void one_night(std::size_t row_number, std::uint64_t seed) {
  const night::Row row = night::rows().at(row_number);
  const night::Night n = night::play(night::plan(seed, row.device), row.meter, seed);
  std::printf("%s, seed %d\n", row.name, static_cast<int>(seed));
  for (const auto& [begin, act] : n.truth)
    std::printf("    true %-9s %9.1f level %.3f to %.3f settle %.2f tau %.0f noise %.3f\n",
                std::string(segment_kind_name(act.kind)).c_str(), begin, act.level_w, act.end_level_w, act.settle_w,
                act.settle_tau_s, act.noise_w);
  print_segments(night::segment(n, {}).segments);
}

/// Processor time of this program: what else the machine does is left out.
double cpu_s() {
  return static_cast<double>(std::clock()) / CLOCKS_PER_SEC;
}

double level_at(std::int64_t i) {
  static constexpr double levels[] = {5.0, 24.0, 5.1, 60.0, 5.0, 9.0, 30.0, 12.0, 80.0, 7.0};
  return levels[(i / 3000) % 10];
}

void speed(std::int64_t n) {
  std::mt19937_64 random(1);
  std::vector<double> noise(4096);
  std::normal_distribution<double> normal(0.0, 0.05);
  for (double& x : noise) x = normal(random);
  const auto value = [&](std::int64_t i) {
    return std::round((level_at(i) + noise[static_cast<std::size_t>((i * 2654435761) & 4095)]) * 100.0) * 0.01;
  };
  double from = cpu_s();
  double sink = 0.0;
  for (std::int64_t i = 0; i < n; ++i) sink += value(i);
  const double generating = cpu_s() - from;
  from = cpu_s();
  ChangePoints engine;
  std::size_t changes = 0;
  for (std::int64_t i = 0; i < n; ++i) {
    engine.push(value(i));
    if (engine.has_final()) changes += engine.take_final().size();
  }
  engine.finish();
  changes += engine.take_final().size();
  double t = cpu_s() - from - generating;
  std::printf("engine, %lld readings: %.3f s, %.2f M readings/s of processor time, %zu changes (%g)\n",
              static_cast<long long>(n), t, static_cast<double>(n) / t * 1e-6, changes, sink);
  from = cpu_s();
  Segmenter chain({});
  std::size_t regimes = 0, state = 0;
  for (std::int64_t i = 0; i < n; ++i) {
    chain.push(UtcTime{i * 1'000'000}, value(i));
    if (i % 4096 == 0) regimes += chain.take_final().size();
    if (i % 1'000'003 == 1'000'000) state = std::max(state, chain.save().size());
  }
  chain.finish(UtcTime{n * 1'000'000});
  regimes += chain.take_final().size();
  t = cpu_s() - from - generating;
  std::printf(
      "whole chain, %lld readings: %.3f s, %.2f M readings/s of processor time, %zu stretches, largest state %zu "
      "bytes\n",
      static_cast<long long>(n), t, static_cast<double>(n) / t * 1e-6, regimes, state);
}

}  // namespace
}  // namespace nightwatt::bench

int main(int argc, char** argv) {
  using namespace nightwatt::bench;
  std::string data = NIGHTWATT_SHARED_DATA;
  bool verbose = false;
  std::string part = "all";
  std::uint64_t seed = 5001;
  std::size_t row = 0;
  for (int i = 1; i < argc; ++i) {
    if (std::strcmp(argv[i], "--segments") == 0)
      verbose = true;
    else if (std::strcmp(argv[i], "--data") == 0 && i + 1 < argc)
      data = argv[++i];
    else if (std::strcmp(argv[i], "--seed") == 0 && i + 1 < argc)
      seed = std::strtoull(argv[++i], nullptr, 10);
    else if (std::strcmp(argv[i], "--row") == 0 && i + 1 < argc)
      row = std::strtoull(argv[++i], nullptr, 10);
    else
      part = argv[i];
  }
  if (part == "all" || part == "computers") computers(data + "/traces/computers", verbose);
  if (part == "all" || part == "plugs") plugs(data + "/traces/plug", verbose);
  if (part == "all" || part == "nights") nights(verbose, seed);
  if (part == "all" || part == "peers") segment_peers();
  if (part == "night") one_night(row, seed);
  if (part == "all" || part == "speed") {
    speed(100'000);
    speed(30'000'000);
  }
}
