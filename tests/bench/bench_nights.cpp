// How often a figure of an ordinary night is wrong: thousands of random nights
// with known truth, by sort.
//
//   tools/dev bench nights [COUNT] [FIRST_SEED] [SORT]               all sorts in turns, or one; without SORT the
//                                                                    nights of second_generator.py follow
//   tools/dev bench nights --explain SEED SORT                       one night: its truth beside what was found
//   tools/dev bench nights --dump SEED SORT                          one night as CSV, its truth in comments
//   tools/dev bench nights --relations [COUNT] [FIRST_SEED] [SORT]   what must agree, whatever the truth is
//   tools/dev bench nights --sorts                                   their names
#include <algorithm>
#include <atomic>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <map>
#include <mutex>
#include <string>
#include <thread>
#include <tuple>

#include "tests/nights/relations.hpp"

namespace nightwatt::nights {
namespace {

constexpr std::size_t worst_shown = 40;

struct Failed {
  std::string sort;
  std::uint64_t seed;
  int failures;
  std::string what;
};

void print_meter(std::FILE* out, const Night& night) {
  const Meter& m = night.plan.meter;
  std::fprintf(out,
               "# %s, seed %llu: a reading each %g s%s%s, display %g W%s%s, %.1f "
               "%% lost, noise remembers %.1f s\n",
               night.sort.c_str(), static_cast<unsigned long long>(night.seed), m.interval_s,
               m.jitter > 0.0 ? " or so" : "", m.averages ? ", the mean since the last" : "", m.step_w,
               m.truncates ? " cut off" : "", m.declared ? ", told" : "", 100.0 * m.lost_share,
               night.plan.noise_correlation_time_s);
}

void print_truth(std::FILE* out, const Night& night) {
  std::size_t i = 0;
  for (const TrueSegment& s : night.truth.segments) {
    const Act& act = night.plan.acts[i++];
    std::fprintf(out, "# true %-9s %10.1f - %10.1f  level %9.3f  noise %.3f%s", std::string(kind_name(s.kind)).c_str(),
                 s.begin_s, s.end_s, s.level_w.value_or(NAN), act.noise_w, s.judged ? "" : "  (too short to judge)");
    if (act.peak_s > 0.0) std::fprintf(out, "  peak +%.2f W for %.1f s", act.peak_w, act.peak_s);
    if (act.settle_w != 0.0) std::fprintf(out, "  settles from %+.2f W in %.0f s", act.settle_w, act.settle_tau_s);
    if (act.charge_w > 0.0)
      std::fprintf(out, "  battery %.2f W for %.0f s, then decays in %.0f s", act.charge_w, act.charge_flat_s,
                   act.charge_tau_s);
    if (act.kind == Kind::ramp) std::fprintf(out, "  from %.2f to %.2f W", act.level_w, act.end_level_w);
    if (act.boot) std::fprintf(out, "  start-up");
    if (!act.steps.empty()) std::fprintf(out, "  %zu steps", act.steps.size());
    std::fprintf(out, "\n");
  }
  if (!night.truth.kinds_judged) std::fprintf(out, "# kinds and figures not judged: %s\n", night.truth.why_not.c_str());
  for (std::size_t f = 0; f < figure_count; ++f) {
    const TrueFigure& figure = night.truth.figures[f];
    std::fprintf(out, "# true %s_w: %s", std::string(figure_names[f]).c_str(), figure.judged ? "" : "not judged");
    if (figure.judged && figure.value_w) std::fprintf(out, "%.4f", *figure.value_w);
    if (figure.judged && !figure.value_w) std::fprintf(out, "none");
    std::fprintf(out, "\n");
  }
}

void dump(const Night& night) {
  print_meter(stdout, night);
  print_truth(stdout, night);
  const int digits = std::max(0, static_cast<int>(std::ceil(-std::log10(night.plan.meter.step_w) - 1e-9)));
  std::printf("time,power_w\n");
  for (const auto& [us, power_w] : night.readings)
    std::printf("%lld.%06lld,%.*f\n", static_cast<long long>(us / 1'000'000), static_cast<long long>(us % 1'000'000),
                digits, power_w);
}

std::string faults_of(const Night& night, const Found& found) {
  std::string text;
  for (std::size_t f = 0; f < figure_count; ++f) {
    const FigureName name = static_cast<FigureName>(f);
    const TrueFigure& truth = night.truth.figures[f];
    if (!truth.judged) continue;
    const std::optional<Figure> figure = figure_of(found.summary, name);
    const double error = figure && truth.value_w ? std::abs(figure->value - *truth.value_w) : 0.0;
    const bool right =
        figure.has_value() == truth.value_w.has_value() &&
        (!figure || error <= figure->uncertainty || error <= tolerance_w(*truth.value_w, night.plan.meter.step_w));
    if (right) continue;
    char line[120];
    std::snprintf(line, sizeof line, "  %s true %.3f found %.3f +- %.3f", std::string(figure_names[f]).c_str(),
                  truth.value_w.value_or(NAN), figure ? figure->value : NAN, figure ? figure->uncertainty : NAN);
    text += line;
  }
  return text;
}

void explain(const Night& night) {
  const Found found = find(night.readings, settings_of(night.plan.meter));
  const Score s = score(night, found);
  print_meter(stdout, night);
  print_truth(stdout, night);
  for (const Segment& g : found.segments)
    std::printf(
        "found %-9s %10.1f - %10.1f  level %9.3f +- %7.3f  mean %9.3f  "
        "n %lld exc %lld settle %.0f duty %.2f\n",
        std::string(segment_kind_name(g.kind)).c_str(), static_cast<double>(g.begin.us) * 1e-6,
        static_cast<double>(g.end.us) * 1e-6, g.level_w.value_or(NAN), g.uncertainty_w.value_or(NAN),
        g.mean_w.value_or(NAN), static_cast<long long>(g.samples), static_cast<long long>(g.excursions),
        g.settling_s.value_or(NAN), g.duty.value_or(NAN));
  for (std::size_t f = 0; f < figure_count; ++f) {
    const std::optional<Figure> figure = figure_of(found.summary, static_cast<FigureName>(f));
    if (figure)
      std::printf("found %s_w: %.4f +- %.4f\n", std::string(figure_names[f]).c_str(), figure->value,
                  figure->uncertainty);
  }
  for (const std::string& warning : found.summary.warnings) std::printf("warning: %s\n", warning.c_str());
  std::printf(
      "levels: %d judged, %d missing, %d wrong, %d vague; kinds right "
      "%.4f of the time judged\nfaults:%s\n",
      s.levels.judged, s.levels.missing, s.levels.wrong, s.levels.vague,
      s.judged_s > 0.0 ? s.right_s / s.judged_s : NAN, faults_of(night, found).c_str());
}

void print_heads() {
  std::printf("%-14s %6s %9s", "sort", "nights", "readings");
  for (std::size_t f = 0; f < figure_count; ++f) std::printf(" | %-20s", std::string(figure_names[f]).c_str());
  std::printf(" | %-20s | kinds %%\n%-31s", "levels", "");
  for (std::size_t f = 0; f <= figure_count; ++f) std::printf(" | %5s %4s %4s %4s", "judge", "miss", "wrng", "vage");
  std::printf(" |\n");
}

void print_row(const std::string& name, const Score& s) {
  std::printf("%-14s %6d %9lld", name.c_str(), s.nights, static_cast<long long>(s.readings));
  const auto print = [](const FigureScore& f) {
    std::printf(" | %5d %4d %4d %4d", f.judged, f.missing, f.wrong, f.vague);
  };
  for (std::size_t f = 0; f < figure_count; ++f) print(s.figures[f]);
  print(s.levels);
  std::printf(" | %7.2f\n", s.judged_s > 0.0 ? 100.0 * s.right_s / s.judged_s : NAN);
}

void print_totals(const Score& all, double took_s) {
  const auto bad = [](const FigureScore& f) { return f.missing + f.wrong; };
  const FigureScore& idle = all.figures[0];
  const FigureScore& load = all.figures[1];
  int judged = 0, failed = 0;
  for (const FigureScore& f : all.figures) judged += f.judged, failed += bad(f);
  const auto percent = [](int a, int of) { return of > 0 ? 100.0 * a / of : NAN; };
  std::printf(
      "idle and load figures wrong or missing: %.2f %% of %d; all "
      "figures: %.2f %% of %d; levels: %.2f %% of %d\n",
      percent(bad(idle) + bad(load), idle.judged + load.judged), idle.judged + load.judged, percent(failed, judged),
      judged, percent(bad(all.levels), all.levels.judged), all.levels.judged);
  std::printf(
      "kinds right: %.2f %% of the time judged; %.1f s for %d nights, "
      "%.1f M readings\n",
      100.0 * all.right_s / all.judged_s, took_s, all.nights, static_cast<double>(all.readings) * 1e-6);
}

/// Calls `work(sort, seed)` for all nights, on all cores.
template <typename Work>
double on_all_cores(int count, std::uint64_t first_seed, const std::vector<std::string>& sorts, const Work& work) {
  std::atomic<int> next{0};
  const auto begin = std::chrono::steady_clock::now();
  const auto some = [&] {
    for (int i = next++; i < count; i = next++) {
      const std::size_t night = static_cast<std::size_t>(i);
      work(sorts[night % sorts.size()], first_seed + night / sorts.size());
    }
  };
  std::vector<std::thread> threads;
  for (unsigned n = std::max(1U, std::thread::hardware_concurrency()); n > 0; --n) threads.emplace_back(some);
  for (std::thread& thread : threads) thread.join();
  return std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();
}

std::vector<std::string> sorts_or(const std::string& only) {
  return only.empty() ? sort_names() : std::vector<std::string>{only};
}

void many(int count, std::uint64_t first_seed, const std::string& only) {
  const std::vector<std::string> sorts = sorts_or(only);
  std::map<std::string, Score> by_sort;
  std::vector<Failed> failed;
  std::mutex mutex;
  const double took = on_all_cores(count, first_seed, sorts, [&](const std::string& sort, std::uint64_t seed) {
    const Night night = make_night(sort, seed);
    const Found found = find(night.readings, settings_of(night.plan.meter));
    const Score s = score(night, found);
    const std::lock_guard lock(mutex);
    by_sort[sort].add(s);
    const int wrong_kinds = s.judged_s > 0.0 && s.right_s < 0.95 * s.judged_s ? 1 : 0;
    if (s.failures() + wrong_kinds == 0) return;
    char kinds[40];
    std::snprintf(kinds, sizeof kinds, "  kinds %.1f %%", 100.0 * s.right_s / s.judged_s);
    failed.push_back({sort, seed, s.failures() + wrong_kinds, faults_of(night, found) + kinds});
  });
  print_heads();
  Score all;
  for (const std::string& sort : sorts) {
    print_row(sort, by_sort[sort]);
    all.add(by_sort[sort]);
  }
  print_row("all", all);
  print_totals(all, took);
  std::sort(failed.begin(), failed.end(), [](const Failed& a, const Failed& b) {
    return std::tie(b.failures, a.seed, a.sort) < std::tie(a.failures, b.seed, b.sort);
  });
  std::printf("nights with a fault: %zu; the worst:\n", failed.size());
  for (std::size_t i = 0; i < std::min(worst_shown, failed.size()); ++i)
    std::printf("  %llu %-14s%s\n", static_cast<unsigned long long>(failed[i].seed), failed[i].sort.c_str(),
                failed[i].what.c_str());
}

void many_relations(int count, std::uint64_t first_seed, const std::string& only) {
  std::map<std::string, Compared> by_relation;
  std::mutex mutex;
  const double took = on_all_cores(count, first_seed, sorts_or(only), [&](const std::string& sort, std::uint64_t seed) {
    const Night night = make_night(sort, seed);
    const Found whole = find(night.readings, settings_of(night.plan.meter));
    for (const Relation& relation : relations()) {
      Compared compared = compare(night, whole, relation);
      const std::lock_guard lock(mutex);
      Compared& sum = by_relation[relation.name];
      sum.figures += compared.figures;
      sum.moved.insert(sum.moved.end(), compared.moved.begin(), compared.moved.end());
    }
  });
  for (auto& [name, compared] : by_relation) {
    std::printf("%-22s %6d figures, %4zu moved by more than their +- (%.2f %%)\n", name.c_str(), compared.figures,
                compared.moved.size(),
                100.0 * static_cast<double>(compared.moved.size()) / std::max(1, compared.figures));
    std::sort(compared.moved.begin(), compared.moved.end());
    for (std::size_t i = 0; i < std::min(worst_shown, compared.moved.size()); ++i)
      std::printf("    %s\n", compared.moved[i].c_str());
  }
  std::printf("%.1f s for %d nights\n", took, count);
}

int usage() {
  std::fprintf(stderr,
               "usage: bench_nights [--relations] [COUNT] [FIRST_SEED] "
               "[SORT] | --explain SEED SORT | --dump SEED SORT | "
               "--sorts\n");
  return 2;
}

bool is_sort(const std::string& name) {
  return std::find(sort_names().begin(), sort_names().end(), name) != sort_names().end();
}

int run(std::vector<std::string> words) {
  const std::string first = words.empty() ? "" : words[0];
  if (first == "--sorts") {
    for (const std::string& name : sort_names()) std::printf("%s\n", name.c_str());
    return 0;
  }
  if (first == "--explain" || first == "--dump") {
    if (words.size() != 3 || !is_sort(words[2])) return usage();
    const Night night = make_night(words[2], std::strtoull(words[1].c_str(), nullptr, 10));
    first == "--dump" ? dump(night) : explain(night);
    return 0;
  }
  if (first == "--relations") words.erase(words.begin());
  words.resize(std::max<std::size_t>(words.size(), 3));
  if (words.size() > 3 || (!words[2].empty() && !is_sort(words[2])) || words[0].rfind("--", 0) == 0) return usage();
  const int count = words[0].empty() ? 1000 : std::atoi(words[0].c_str());
  const std::uint64_t seed = words[1].empty() ? 1 : std::strtoull(words[1].c_str(), nullptr, 10);
  first == "--relations" ? many_relations(count, seed, words[2]) : many(count, seed, words[2]);
  return 0;
}

}  // namespace
}  // namespace nightwatt::nights

int main(int argc, char** argv) {
  return nightwatt::nights::run({argv + 1, argv + argc});
}
