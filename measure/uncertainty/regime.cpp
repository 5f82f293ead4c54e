#include "measure/uncertainty/regime.hpp"

#include <algorithm>
#include <cmath>
#include <initializer_list>
#include <numeric>
#include <optional>
#include <type_traits>
#include <utility>

#include "measure/signal/microwatts.hpp"
#include "measure/uncertainty/regime_codec.hpp"
#include "signal/archive.hpp"

namespace nightwatt {

namespace {

constexpr std::uint64_t plain_version = 1;  // without counts, ticks and figure
constexpr std::uint64_t mixed_version = 2;  // the sketch in the middle, always
constexpr std::uint64_t regime_version = 3;
constexpr int widest_log2 = 38;                                 // 8,700 years: all that the store's calendar holds
constexpr std::int64_t readings_limit = std::int64_t{1} << 53;  // beyond it a number of readings is no number

enum SketchFlags : std::uint8_t { has_counts = 1, is_interrupted = 2, has_ticks = 4 };
enum RegimeFlags : std::uint8_t { has_figure = 8, has_cycles = 16, has_sketch = 32, has_settling = 64 };

bool all_finite(std::initializer_list<double> numbers) {
  return std::all_of(numbers.begin(), numbers.end(), [](double x) { return std::isfinite(x); });
}

}  // namespace

/// The sketch's own bytes; alone in making one from numbers that nobody vouches for.
class SketchBytes {
 public:
  template <class Archive, class Sketch>
  static void archive(Archive& ar, Sketch& sketch) {
    const std::uint8_t flags = ar.told(flags_of(sketch));
    bins(ar, sketch);
    rest(ar, sketch, flags);
  }

  template <class Archive, class Sketch>
  static void bins(Archive& ar, Sketch& sketch) {
    constexpr std::size_t least_bytes = 34;
    ar.set(sketch.width_log2_, int{ar.told(static_cast<std::uint8_t>(sketch.width_log2_))});
    ar.sized(sketch.bins_, least_bytes);
    std::int64_t before = 0;
    for (auto& bin : sketch.bins_) {
      ar.offset(bin.key, before);
      ar(bin.n, bin.mean, bin.m2, bin.covered_s, bin.integral_ws);
      before = bin.key;
    }
    if (!ar.require(sound(sketch))) ar.set(sketch, LevelSketch{});
  }

  /// What the flags tell of, and how the readings follow each other.
  template <class Archive, class Sketch>
  static void rest(Archive& ar, Sketch& sketch, std::uint8_t flags) {
    ar.set(sketch.counted_, (flags & has_counts) != 0);
    ar.set(sketch.interrupted_, (flags & is_interrupted) != 0);
    if (sketch.counted_) counts(ar, sketch);
    if ((flags & has_ticks) != 0) ticks(ar, sketch);
    ar(sketch.repeats_);
    for (const std::int64_t x : {sketch.repeats_.pairs, sketch.repeats_.equal, sketch.repeats_.singles})
      ar.require(x >= 0 && x <= readings_limit);
  }

  static void forget_counts(LevelSketch& sketch) { sketch.forget_counts(); }

 private:
  static std::uint8_t flags_of(const LevelSketch& sketch) {
    std::uint8_t flags = 0;
    if (sketch.counted_) flags |= has_counts;
    if (sketch.interrupted_) flags |= is_interrupted;
    // Their step outlives the ticks themselves where these lay in readings that went to a neighbour.
    if (sketch.tick_width_s_ > 0.0 || sketch.tick_step_uwh_ > 0) flags |= has_ticks;
    for (const SketchBin& bin : sketch.bins_)
      if (bin.tick) flags |= has_ticks;
    return flags;
  }

  /// Values as multiples of the largest number that divides all: a display's step or a few of them.
  template <class Archive, class Sketch>
  static void counts(Archive& ar, Sketch& sketch) {
    constexpr std::uint64_t unit_limit = 1'000'000'000'000'000;  // microwatts_of() goes no further
    std::int64_t divisor = 0;
    for (const std::int64_t value : sketch.values_uw_) divisor = std::gcd(divisor, value);
    const std::uint64_t unit = ar.told(static_cast<std::uint64_t>(divisor));
    ar.sized(sketch.values_uw_);
    if (!ar.require(unit <= unit_limit && sketch.values_uw_.size() <= LevelSketch::value_limit)) return;
    const std::int64_t most = unit == 0 ? 0 : static_cast<std::int64_t>(unit_limit / unit);
    std::int64_t before = 0;
    for (auto& value : sketch.values_uw_) {
      std::int64_t steps = unit == 0 ? 0 : value / static_cast<std::int64_t>(unit);
      ar.offset(steps, before);
      if (!ar.require(steps <= most && steps >= -most)) return;
      ar.set(value, steps * static_cast<std::int64_t>(unit));
      before = steps;
    }
    for (auto& bin : sketch.bins_)
      if (bin.n >= 2 && !counts_of(ar, bin, sketch.values_uw_.size())) return;
  }

  template <class Archive, class Bin>
  static bool counts_of(Archive& ar, Bin& bin, std::size_t values) {
    ar.sized(bin.counts);
    if (!ar.require(bin.counts.size() <= values)) return false;
    const auto readings = static_cast<std::uint64_t>(bin.n);
    std::uint64_t sum = 0;
    for (auto& count : bin.counts) {
      const std::uint64_t n = ar.told(static_cast<std::uint64_t>(count));
      if (!ar.require(n <= readings)) return false;
      ar.set(count, static_cast<std::int64_t>(n));
      sum += n;
    }
    return ar.require(sum == readings);
  }

  template <class Archive, class Sketch>
  static void ticks(Archive& ar, Sketch& sketch) {
    ar(sketch.tick_width_s_, sketch.tick_step_uwh_);
    ar.require(sketch.tick_width_s_ >= 0.0 && std::isfinite(sketch.tick_width_s_) && sketch.tick_step_uwh_ >= 0);
    std::int64_t energy_uwh = 0;
    for (auto& bin : sketch.bins_) {
      const std::optional<bool> broken = ar.told(bin.tick ? std::optional(bin.tick->broken) : std::nullopt);
      ar.set(bin.tick, broken ? std::optional(CounterTick{0, 0, *broken}) : std::nullopt);
      if (!bin.tick) continue;
      ar.offset(bin.tick->at_us, sketch.bin_begin(bin).us);
      ar.offset(bin.tick->energy_uwh, energy_uwh);
      energy_uwh = bin.tick->energy_uwh;
    }
  }

  static bool sound(const LevelSketch& sketch) {
    if (sketch.width_log2_ < 0 || sketch.width_log2_ > widest_log2 || sketch.bins_.size() > LevelSketch::bin_limit)
      return false;
    const std::int64_t key_limit = (std::int64_t{9'000'000'000'000} >> sketch.width_log2_) + 1;
    for (std::size_t i = 0; i < sketch.bins_.size(); ++i) {
      const SketchBin& b = sketch.bins_[i];
      if (b.n < 0 || b.n > readings_limit || b.key > key_limit || b.key < -key_limit ||
          (i > 0 && b.key <= sketch.bins_[i - 1].key))
        return false;
      if (!all_finite({b.mean, b.m2, b.covered_s, b.integral_ws})) return false;
    }
    return true;
  }
};

namespace {

template <class Archive, class Digest>
void archive_digest(Archive& ar, Digest& digest) {
  ar(digest.mean_w, digest.standard_deviation_w, digest.counter_step_uwh);
  ar.require(all_finite({digest.mean_w, digest.standard_deviation_w}) && digest.standard_deviation_w >= 0.0 &&
             digest.counter_step_uwh >= 0);
}

template <class Archive, class Some>
void archive_cycles(Archive& ar, Some& cycles) {
  ar(cycles.n, cycles.mean_w, cycles.uncertainty_w);
  ar.require(cycles.n >= 2 && cycles.n <= readings_limit && all_finite({cycles.mean_w, cycles.uncertainty_w}) &&
             cycles.uncertainty_w >= 0.0);
}

template <class Archive, class Figure>
void archive_figure(Archive& ar, Figure& figure, std::uint64_t version, bool settles) {
  if (version > mixed_version) ar(figure.algorithm_version);
  ar(figure.step_w, figure.level_w, figure.shown_w, figure.random_w, figure.random_degrees_of_freedom,
     figure.systematic_w, figure.drift_w_per_h);
  if (!settles) return;
  ar.set(figure.settling, Settling{});
  auto& settling = *figure.settling;
  ar(settling.limit_w, settling.tau_s, settling.time_s, settling.ended);
}

/// Of the versions that had the sketch in the middle; no Saver comes here.
template <class Archive, class Sketch>
void archive_old_sketch(Archive& ar, Sketch& sketch, std::uint64_t version, std::uint8_t flags) {
  SketchBytes::bins(ar, sketch);
  if (version > plain_version) return SketchBytes::rest(ar, sketch, flags);
  if constexpr (!std::is_const_v<Sketch>) SketchBytes::forget_counts(sketch);
}

template <class Archive, class Self>
void archive_sketch_or_digest(Archive& ar, Self& self, bool sketch) {
  if (sketch) return SketchBytes::archive(ar, self.sketch);
  SketchDigest digest = self.digest();
  archive_digest(ar, digest);
  ar.set(self.without_sketch, digest);
}

std::uint8_t flags_of(const Regime& s, bool with_sketch) {
  std::uint8_t flags = with_sketch ? has_sketch : 0;
  if (s.cycles) flags |= has_cycles;
  if (s.figure) flags |= has_figure;
  if (s.figure && s.figure->settling) flags |= has_settling;
  return flags;
}

template <class Archive, class Self>
void archive_times_and_shape(Archive& ar, Self& self) {
  ar(self.begin);
  ar.offset(self.end, self.begin);
  const std::uint8_t shape = ar.told(static_cast<std::uint8_t>(self.shape));
  ar.require(shape <= static_cast<std::uint8_t>(RegimeShape::decay));
  ar.set(self.shape, static_cast<RegimeShape>(shape));
  ar.require(self.end >= self.begin);
}

template <class Archive, class Self>
void archive_totals(Archive& ar, Self& self) {
  const bool has_duty = ar.told(self.duty.has_value());
  double duty = self.duty.value_or(0.0);
  ar(self.samples, self.excursions, self.begin_uncertainty_s, self.end_uncertainty_s, self.energy_ws, self.covered_s,
     self.lowest_w, self.highest_w, duty, self.line_begin_w, self.line_end_w);
  ar.set(self.duty, has_duty ? std::optional(duty) : std::nullopt);
  ar.require(self.samples >= 0 && self.excursions >= 0 &&
             all_finite({self.begin_uncertainty_s, self.end_uncertainty_s, self.energy_ws, self.covered_s,
                         self.lowest_w, self.highest_w, duty, self.line_begin_w, self.line_end_w}));
}

/// `with_sketch` is for a Saver to say; which of them it was, a Restorer reads in the flags.
template <class Archive, class Self>
void archive_regime(Archive& ar, Self& self, bool with_sketch) {
  const std::uint64_t version = ar.version(regime_version, plain_version);
  const std::uint8_t flags = version == plain_version ? 0 : ar.told(flags_of(self, with_sketch));
  archive_times_and_shape(ar, self);
  archive_totals(ar, self);
  if (version == plain_version) {
    double of_no_meaning[2] = {};
    ar(of_no_meaning[0], of_no_meaning[1]);
    ar.require(all_finite({of_no_meaning[0], of_no_meaning[1]}));
  }
  if (version <= mixed_version) archive_old_sketch(ar, self.sketch, version, flags);
  if ((flags & has_cycles) != 0) {
    ar.set(self.cycles, Cycles{});
    archive_cycles(ar, *self.cycles);
  }
  if ((flags & has_figure) != 0) {
    ar.set(self.figure, LevelFigure{});
    archive_figure(ar, *self.figure, version, version > mixed_version && (flags & has_settling) != 0);
  }
  if (version > mixed_version) archive_sketch_or_digest(ar, self, (flags & has_sketch) != 0);
}

}  // namespace

SketchDigest Regime::digest() const {
  if (without_sketch) return *without_sketch;
  const auto n = static_cast<double>(std::max<std::int64_t>(sketch.n(), 1));
  return {sketch.mean(), std::sqrt(std::max(0.0, sketch.m2()) / n), sketch.tick_step_uwh()};
}

bool Regime::has_figure_for(double step_w) const {
  return figure && figure->algorithm_version == figure_algorithm_version && figure->step_w == step_w;
}

bool Regime::wants_figure_for(double step_w) const {
  return (shape == RegimeShape::steady || shape == RegimeShape::decay) && !has_figure_for(step_w);
}

template <class Archive, class Self>
void Regime::archive(Archive& ar, Self& self) {
  archive_regime(ar, self, true);
}
template void Regime::archive(Saver&, const Regime&);
template void Regime::archive(Restorer&, Regime&);

std::string encode_regime(const Regime& regime) {
  return saved(regime);
}

std::string encode_outline(const Regime& regime) {
  std::string out;
  Saver ar(out);
  archive_regime(ar, regime, false);
  return out;
}

std::string encode_sketch(const Regime& regime) {
  std::string out;
  Saver ar(out);
  SketchBytes::archive(ar, regime.sketch);
  return out;
}

Result<Regime> decode_regime(std::string_view bytes) {
  Regime regime;
  if (restored(bytes, regime)) return regime;
  return fail(ErrorKind::input, "a stored stretch is damaged or of another version; segment the run anew");
}

Result<void> decode_sketch(std::string_view bytes, Regime& outline) {
  LevelSketch sketch;
  ByteReader in(bytes);
  Restorer ar(in);
  SketchBytes::archive(ar, sketch);
  if (!in.ok() || !in.at_end())
    return fail(ErrorKind::input, "a stored stretch's sketch is damaged; segment the run anew");
  outline.sketch = std::move(sketch);
  outline.without_sketch.reset();
  return {};
}

}  // namespace nightwatt
