#include "trace_files.hpp"

#include <algorithm>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <set>

namespace nightwatt::bench {

Trace read_trace(const std::string& path, double missing_below) {
  Trace trace;
  trace.name = std::filesystem::path(path).stem().string();
  std::ifstream file(path);
  std::string line;
  while (std::getline(file, line)) {
    if (line.rfind("# truth:", 0) == 0)
      trace.truth_s.push_back(std::strtod(line.c_str() + line.find_last_of(' '), nullptr));
    if (line.empty() || line[0] < '0' || line[0] > '9') continue;
    char* comma = nullptr;
    const double time = std::strtod(line.c_str(), &comma);
    const double power = std::strtod(comma + 1, nullptr);
    if (power >= missing_below) trace.readings.emplace_back(UtcTime{to_duration({time}).count()}, power);
  }
  return trace;
}

std::vector<std::string> trace_paths(const std::string& folder) {
  std::vector<std::string> paths;
  if (!std::filesystem::is_directory(folder)) return paths;
  for (const auto& entry : std::filesystem::directory_iterator(folder))
    if (entry.path().extension() == ".csv") paths.push_back(entry.path().string());
  std::sort(paths.begin(), paths.end());
  return paths;
}

Classified segment(const Trace& trace, const SegmenterSettings& settings) {
  Segmenter segmenter(settings);
  for (const auto& [time, power] : trace.readings) segmenter.push(time, power);
  ClassifyInput input;
  input.settings = settings;
  if (trace.readings.empty()) return {};
  input.run_begin = trace.readings.front().first;
  input.run_end = trace.readings.back().first;
  segmenter.finish(input.run_end);
  const std::vector<Regime> regimes = segmenter.take_final();
  input.final_count = regimes.size();
  input.learnt = segmenter.learnt();
  return classify(regimes, input);
}

TraceScore score(const Trace& trace, const std::vector<Segment>& segments) {
  TraceScore s;
  const auto seconds = [](UtcTime t) { return static_cast<double>(t.us) * 1e-6; };
  std::set<double> bounds;
  for (std::size_t i = 0; i < segments.size(); ++i) {
    if (i > 0) bounds.insert(seconds(segments[i].begin));
    if (i + 1 < segments.size()) bounds.insert(seconds(segments[i].end));
    s.steady += segments[i].level_w && segments[i].kind != SegmentKind::off ? 1 : 0;
  }
  const auto found = [&](double t, double tolerance) {
    const bool bound = std::any_of(bounds.begin(), bounds.end(),
                                   [&](double x) { return x - t >= -tolerance && x - t <= tolerance + 1.0; });
    return bound || std::any_of(segments.begin(), segments.end(), [&](const Segment& g) {
             return (g.kind == SegmentKind::ramp || g.kind == SegmentKind::unsteady) &&
                    seconds(g.end) - seconds(g.begin) <= 30.0 && seconds(g.begin) - tolerance <= t &&
                    t <= seconds(g.end) + tolerance;
           });
  };
  s.boundaries = static_cast<int>(bounds.size());
  for (const double t : trace.truth_s) {
    ++s.edges;
    s.within_5_s += found(t, 5.0) ? 1 : 0;
    s.within_2_s += found(t, 2.0) ? 1 : 0;
    if (!found(t, 2.0)) s.missed_s.push_back(t);
  }
  for (std::size_t i = 0; i + 1 < trace.truth_s.size(); i += 2) {
    const double a = trace.truth_s[i];
    const double z = trace.truth_s[i + 1];
    double best = 0.0;
    for (const Segment& g : segments)
      if (g.kind == SegmentKind::plateau)
        best = std::max(best, std::min(seconds(g.end), z) - std::max(seconds(g.begin), a));
    s.least_window_share = std::min(s.least_window_share, best / (z - a));
  }
  return s;
}

}  // namespace nightwatt::bench
