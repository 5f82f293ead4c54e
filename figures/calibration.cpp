#include "figures/calibration.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "figures/run_recorder.hpp"
#include "figures/runs.hpp"
#include "figures/shown_power.hpp"
#include "measure/uncertainty/statistics.hpp"
#include "text/printable.hpp"

namespace nightwatt::figures {
namespace {

/// What both saw of one level is cut by this at either end: two meters lag by some seconds (common practice, no
/// source).
constexpr Duration edge{5'000'000};
/// Less of it says too little.
constexpr Duration shortest{30'000'000};
/// A level is compared in so many pieces, fewer where the readings are few: enough for a scatter, each long enough to
/// forget the one before.
constexpr std::size_t most_pieces = 60;
constexpr std::size_t readings_a_piece = 3;
constexpr std::size_t least_pieces = 4;
/// Levels within this share (or a display step) of each other are one level met twice.
constexpr double same_level = 0.02;

struct Piece {
  Moments shown, reference;
};

struct Window {
  UtcTime from, to;
};

Result<void> read_into(const storage::StoreReader& store, const storage::RunInfo& info, Window window,
                       std::vector<Piece>& pieces, Moments Piece::*into) {
  const double width = static_cast<double>((window.to - window.from).count() + 1) / static_cast<double>(pieces.size());
  return figures::shown_powers(store, info, window.from, window.to, [&](UtcTime time, double power_w) {
    const auto at = static_cast<std::size_t>(static_cast<double>((time - window.from).count()) / width);
    (pieces[std::min(at, pieces.size() - 1)].*into).add(power_w);
    return true;
  });
}

std::size_t piece_count(const Segment& a, const Segment& b, Window window) {
  const auto readings = [&](const Segment& segment) {
    const double share =
        to_seconds(window.to - window.from).value / std::max(1.0, to_seconds(segment.end - segment.begin).value);
    return static_cast<double>(segment.samples) * std::min(1.0, share);
  };
  const double fewest = std::min(readings(a), readings(b)) / static_cast<double>(readings_a_piece);
  return std::clamp(static_cast<std::size_t>(std::max(0.0, fewest)), std::size_t{1}, most_pieces);
}

double display_of(const Segment& segment) {
  return segment.parts ? segment.parts->systematic_w : 0.5 * segment.uncertainty_w.value_or(0.0);
}

/// Both meters' means over one window, and the chance of their difference: what the load does by itself, both see.
Result<std::optional<CalibrationLevel>> level_of(const storage::StoreReader& store, const RunRecord& meter,
                                                 const Segment& shown, const RunRecord& reference,
                                                 const Segment& beside, Window window) {
  std::vector<Piece> pieces(piece_count(shown, beside, window));
  if (auto read = read_into(store, meter.info, window, pieces, &Piece::shown); !read)
    return tl::unexpected(read.error());
  if (auto read = read_into(store, reference.info, window, pieces, &Piece::reference); !read)
    return tl::unexpected(read.error());
  std::vector<double> differences;
  Moments shown_mean, reference_mean;
  for (const Piece& piece : pieces) {
    if (piece.shown.count() == 0 || piece.reference.count() == 0) continue;
    differences.push_back(piece.reference.mean() - piece.shown.mean());
    shown_mean.add(piece.shown.mean());
    reference_mean.add(piece.reference.mean());
  }
  if (differences.size() < least_pieces) return std::nullopt;
  const auto n = static_cast<double>(differences.size());
  const double inflation = variance_inflation(differences);
  CalibrationLevel level;
  level.shown_w = shown_mean.mean();
  level.reference_w = reference_mean.mean();
  level.random_w = spread_of(differences).standard_deviation * std::sqrt(inflation / n);
  level.random_degrees_of_freedom = std::max(1.0, n / inflation - 1.0);
  level.shown_display_w = display_of(shown);
  level.reference_display_w = display_of(beside);
  return level;
}

/// Meetings of one level as one: chance averages out, displays do not.
std::vector<CalibrationLevel> merged(std::vector<CalibrationLevel> levels, double step_w) {
  std::sort(levels.begin(), levels.end(), [](const auto& a, const auto& b) { return a.shown_w < b.shown_w; });
  std::vector<CalibrationLevel> result;
  for (std::size_t i = 0; i < levels.size();) {
    std::size_t end = i + 1;
    const double reach = std::max(step_w, same_level * std::abs(levels[i].shown_w));
    while (end < levels.size() && levels[end].shown_w - levels[i].shown_w <= reach) ++end;
    CalibrationLevel one = levels[i];
    Moments shown, differences;
    double variance = 0.0;
    for (std::size_t k = i; k < end; ++k) {
      shown.add(levels[k].shown_w);
      differences.add(levels[k].reference_w - levels[k].shown_w);
      variance += levels[k].random_w * levels[k].random_w;
      one.random_degrees_of_freedom = std::min(one.random_degrees_of_freedom, levels[k].random_degrees_of_freedom);
    }
    const auto n = static_cast<double>(end - i);
    one.shown_w = shown.mean();
    one.reference_w = shown.mean() + differences.mean();
    one.random_w = std::sqrt(std::max(variance / n / n, differences.variance() / n));
    result.push_back(one);
    i = end;
  }
  return result;
}

std::string known_meters(const storage::StoreReader& store) {
  std::string text;
  if (const auto streams = store.streams())
    for (const storage::StreamInfo& stream : *streams)
      if (stream.meter) text += (text.empty() ? "" : ", ") + *stream.meter;
  return text.empty() ? "none" : text;
}

Result<void> require_meter(const storage::StoreReader& store, const std::string& meter) {
  const auto stream = store.stream_of_meter(meter);
  if (!stream) return tl::unexpected(stream.error());
  if (!*stream)
    return fail(ErrorKind::negative,
                "the store has no meter " + text::quoted(meter) + "; it has " + text::printable(known_meters(store)));
  return {};
}

bool steady(const Segment& segment) {
  return segment.level_w && segment.kind != SegmentKind::off;
}

class Pairing {
 public:
  Pairing(const storage::StoreReader& store, std::string meter, std::string reference)
      : store_(store), meter_(std::move(meter)), reference_(std::move(reference)) {}

  Result<PairedLevels> run(const std::vector<std::string>& words) {
    const auto all = readable_runs(store_, out_.warnings);
    if (!all) return tl::unexpected(all.error());
    for (const std::string& word : words) {
      const auto chosen = find_run(store_, word);
      if (!chosen) return tl::unexpected(chosen.error());
      if (chosen->meter != meter_ && chosen->meter != reference_)
        return fail(ErrorKind::input, run_text(*chosen) + " is of neither " + text::quoted(meter_) + " nor " +
                                          text::quoted(reference_) + "; give a run of one of them");
      if (const auto readable = run_record(store_, *chosen); !readable) return tl::unexpected(readable.error());
      for (const storage::RunInfo& other : *all)
        if (other.meter == (chosen->meter == meter_ ? reference_ : meter_) && overlap(*chosen, other))
          if (auto done = pair(chosen->meter == meter_ ? *chosen : other, chosen->meter == meter_ ? other : *chosen);
              !done)
            out_.warnings.push_back(left_out(other.id, done.error().message));
    }
    if (pairs_.empty())
      return fail(ErrorKind::negative,
                  "the two meters were never on at the same time in the given runs: one is put "
                  "behind the other, and both record one load at once");
    if (levels_.empty())
      return fail(ErrorKind::negative, "both meters were on, but held no level together for " +
                                           std::to_string(static_cast<int>(to_seconds(shortest + 2 * edge).value)) +
                                           " s; let the load stand still for longer");
    out_.levels = merged(std::move(levels_), step_w_);
    return std::move(out_);
  }

 private:
  static UtcTime end_of(const storage::RunInfo& run) { return run.end.value_or(end_of_time); }
  static bool overlap(const storage::RunInfo& a, const storage::RunInfo& b) {
    return a.begin < end_of(b) && b.begin < end_of(a);
  }

  Result<void> pair(const storage::RunInfo& a, const storage::RunInfo& b) {
    const auto met = std::pair(a.id, b.id);
    if (std::find(pairs_.begin(), pairs_.end(), met) != pairs_.end()) return {};
    pairs_.push_back(met);
    const auto meter = run_record(store_, a), reference = run_record(store_, b);
    if (!meter) return tl::unexpected(meter.error());
    if (!reference) return tl::unexpected(reference.error());
    step_w_ = std::max(step_w_, meter->step_w);
    out_.permissible_error = meter->info.traits.accuracy;
    if (reference->info.traits.accuracy)
      out_.trust = ReferenceTrust::of(*reference->info.traits.accuracy);
    else if (!std::exchange(told_of_reference_, true))
      out_.warnings.push_back(
          "the accuracy of the reference is not known: it is taken as perfect, and the correction's "
          "uncertainty is too small by it");
    for (const Segment& shown : meter->segments)
      for (const Segment& beside : reference->segments)
        if (steady(shown) && steady(beside))
          if (auto taken = take(*meter, shown, *reference, beside); !taken) return taken;
    return {};
  }

  Result<void> take(const RunRecord& meter, const Segment& shown, const RunRecord& reference, const Segment& beside) {
    const Window window{std::max(shown.begin, beside.begin) + edge, std::min(shown.end, beside.end) - edge};
    if (window.to - window.from < shortest) return {};
    const auto level = level_of(store_, meter, shown, reference, beside, window);
    if (!level) return tl::unexpected(level.error());
    if (*level) levels_.push_back(**level);
    return {};
  }

  const storage::StoreReader& store_;
  const std::string meter_, reference_;
  std::vector<std::pair<storage::RunId, storage::RunId>> pairs_;
  bool told_of_reference_ = false;
  std::vector<CalibrationLevel> levels_;
  double step_w_ = 0.0;
  PairedLevels out_;
};

}  // namespace

Result<PairedLevels> paired_levels(const storage::StoreReader& store, const std::string& meter,
                                   const std::string& reference, const std::vector<std::string>& runs) {
  if (meter == reference) return fail(ErrorKind::input, "a meter cannot be held against itself; name two");
  for (const std::string& one : {meter, reference})
    if (auto there = require_meter(store, one); !there) return tl::unexpected(there.error());
  return Pairing(store, meter, reference).run(runs);
}

Result<PairedLevels> paired_levels(const storage::StoreReader& store, const std::string& meter,
                                   const std::vector<KnownLoad>& loads) {
  if (auto there = require_meter(store, meter); !there) return tl::unexpected(there.error());
  PairedLevels out;
  double widest = 0.0;
  for (const KnownLoad& load : loads) {
    const auto info = find_run(store, load.run);
    if (!info) return tl::unexpected(info.error());
    if (info->meter != meter)
      return fail(ErrorKind::input, run_text(*info) + " is not of meter " + text::quoted(meter));
    const auto record = run_record(store, *info);
    if (!record) return tl::unexpected(record.error());
    const Segment* longest = nullptr;
    for (const Segment& segment : record->segments)
      if (steady(segment) && (longest == nullptr || segment.end - segment.begin > longest->end - longest->begin))
        longest = &segment;
    if (longest == nullptr)
      return fail(ErrorKind::negative, run_text(*info) + " has no steady level to hold the known load against");
    CalibrationLevel level;
    level.shown_w = *longest->level_w;
    level.reference_w = load.power_w;
    level.random_w = longest->parts ? longest->parts->random_w : 0.0;
    level.random_degrees_of_freedom = longest->parts ? std::max(1.0, longest->parts->random_degrees_of_freedom) : 1e9;
    level.shown_display_w = display_of(*longest);
    out.permissible_error = record->info.traits.accuracy;
    // As if one instrument had measured all loads: its error is then common to them, and not averaged away.
    widest = std::max(widest, load.uncertainty_w / 2.0 / std::max(1e-9, std::abs(load.power_w)));
    out.levels.push_back(level);
  }
  out.trust.gain = widest;
  std::sort(out.levels.begin(), out.levels.end(), [](const auto& a, const auto& b) { return a.shown_w < b.shown_w; });
  return out;
}

}  // namespace nightwatt::figures
