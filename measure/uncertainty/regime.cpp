#include "measure/uncertainty/regime.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <initializer_list>
#include <numeric>
#include <utility>

#include "measure/signal/microwatts.hpp"
#include "measure/uncertainty/regime_codec.hpp"
#include "uncertainty/regime_bytes.hpp"

namespace nightwatt {

namespace {

constexpr std::uint8_t plain_version = 1;  // without counts, ticks and figure
constexpr std::uint8_t mixed_version = 2;  // the sketch in the middle, always
constexpr std::uint8_t regime_version = 3;
constexpr int widest_log2 = 38;                                 // 8,700 years: all that the store's calendar holds
constexpr std::int64_t readings_limit = std::int64_t{1} << 53;  // beyond it a number of readings is no number

enum SketchFlags : std::uint8_t { has_counts = 1, is_interrupted = 2, has_ticks = 4 };
enum RegimeFlags : std::uint8_t { has_figure = 8, has_cycles = 16, has_sketch = 32, has_settling = 64 };

std::array<double*, 7> numbers_of(LevelFigure& f) {
  return {&f.step_w,       &f.level_w,      &f.shown_w, &f.random_w, &f.random_degrees_of_freedom,
          &f.systematic_w, &f.drift_w_per_h};
}

}  // namespace

/// The sketch's own bytes; alone in making one from numbers that nobody vouches for.
class SketchBytes {
 public:
  static std::uint8_t flags(const LevelSketch& sketch) {
    std::uint8_t flags = 0;
    if (sketch.counted_) flags |= has_counts;
    if (sketch.interrupted_) flags |= is_interrupted;
    // Their step outlives the ticks themselves where these lay in readings that went to a neighbour.
    if (sketch.tick_width_s_ > 0.0 || sketch.tick_step_uwh_ > 0) flags |= has_ticks;
    for (const SketchBin& bin : sketch.bins_)
      if (bin.tick) flags |= has_ticks;
    return flags;
  }

  static void write_bins(ByteWriter& out, const LevelSketch& sketch) {
    out.byte(static_cast<std::uint8_t>(sketch.width_log2_));
    out.whole(sketch.bins_.size());
    std::int64_t key = 0;
    for (const SketchBin& b : sketch.bins_) {
      out.integer(b.key - key);
      key = b.key;
      out.integer(b.n);
      for (const double x : {b.mean, b.m2, b.covered_s, b.integral_ws}) out.real(x);
    }
  }

  static void read_bins(ByteReader& in, LevelSketch& sketch) {
    sketch.width_log2_ = in.byte();
    sketch.bins_.resize(in.count(34));
    std::uint64_t key = 0;
    for (SketchBin& b : sketch.bins_) {
      key += static_cast<std::uint64_t>(in.integer());
      b.key = static_cast<std::int64_t>(key);
      b.n = in.integer();
      for (double* x : {&b.mean, &b.m2, &b.covered_s, &b.integral_ws}) *x = in.real();
    }
    if (!sound(sketch)) {
      in.refuse();
      sketch = {};
    }
  }

  /// Values as multiples of the largest number that divides all: a display's step or a few of them.
  static void write_counts(ByteWriter& out, const LevelSketch& sketch) {
    std::int64_t unit = 0, before = 0;
    for (const std::int64_t value : sketch.values_uw_) unit = std::gcd(unit, value);
    out.whole(static_cast<std::uint64_t>(unit));
    out.whole(sketch.values_uw_.size());
    for (const std::int64_t value : sketch.values_uw_) {
      const std::int64_t steps = unit == 0 ? 0 : value / unit;
      out.integer(steps - before);
      before = steps;
    }
    for (const SketchBin& bin : sketch.bins_) {
      if (bin.n < 2) continue;
      out.whole(bin.counts.size());
      for (const std::int64_t count : bin.counts) out.whole(static_cast<std::uint64_t>(count));
    }
  }

  static void read_counts(ByteReader& in, LevelSketch& sketch) {
    constexpr std::uint64_t unit_limit = 1'000'000'000'000'000;  // microwatts_of() goes no further
    const std::uint64_t unit = in.whole();
    sketch.values_uw_.resize(in.count(1));
    if (unit > unit_limit || sketch.values_uw_.size() > LevelSketch::value_limit) return in.refuse();
    const std::int64_t most = unit == 0 ? 0 : static_cast<std::int64_t>(unit_limit / unit);
    std::int64_t steps = 0;
    for (std::int64_t& value : sketch.values_uw_) {
      const std::int64_t change = in.integer();
      if (change > 2 * most || change < -2 * most) return in.refuse();
      steps += change;
      if (steps > most || steps < -most) return in.refuse();
      value = steps * static_cast<std::int64_t>(unit);
    }
    for (SketchBin& bin : sketch.bins_) {
      if (bin.n < 2) continue;
      bin.counts.resize(in.count(1));
      if (bin.counts.size() > sketch.values_uw_.size()) return in.refuse();
      std::uint64_t sum = 0;
      for (std::int64_t& count : bin.counts) {
        const std::uint64_t n = in.whole();
        if (n > static_cast<std::uint64_t>(bin.n)) return in.refuse();
        sum += n;
        count = static_cast<std::int64_t>(n);
      }
      if (sum != static_cast<std::uint64_t>(bin.n)) return in.refuse();
    }
  }

  static void write_ticks(ByteWriter& out, const LevelSketch& sketch) {
    out.real(sketch.tick_width_s_);
    out.integer(sketch.tick_step_uwh_);
    std::int64_t energy = 0;
    for (const SketchBin& bin : sketch.bins_) {
      out.byte(bin.tick ? (bin.tick->broken ? 2 : 1) : 0);
      if (!bin.tick) continue;
      out.integer(bin.tick->at_us - sketch.bin_begin(bin).us);
      out.integer(bin.tick->energy_uwh - energy);
      energy = bin.tick->energy_uwh;
    }
  }

  static void read_ticks(ByteReader& in, LevelSketch& sketch) {
    sketch.tick_width_s_ = in.real();
    sketch.tick_step_uwh_ = in.integer();
    if (!(sketch.tick_width_s_ >= 0.0 && std::isfinite(sketch.tick_width_s_)) || sketch.tick_step_uwh_ < 0)
      return in.refuse();
    std::uint64_t energy = 0;
    for (SketchBin& bin : sketch.bins_) {
      const std::uint8_t kind = in.byte();
      if (kind > 2) return in.refuse();
      if (kind == 0) continue;
      CounterTick tick;
      tick.at_us = static_cast<std::int64_t>(static_cast<std::uint64_t>(sketch.bin_begin(bin).us) +
                                             static_cast<std::uint64_t>(in.integer()));
      energy += static_cast<std::uint64_t>(in.integer());
      tick.energy_uwh = static_cast<std::int64_t>(energy);
      tick.broken = kind == 2;
      bin.tick = tick;
    }
  }

  static void write_rest(ByteWriter& out, const LevelSketch& sketch, std::uint8_t flags) {
    if ((flags & has_counts) != 0) write_counts(out, sketch);
    if ((flags & has_ticks) != 0) write_ticks(out, sketch);
    for (const std::int64_t x : {sketch.repeats_.pairs, sketch.repeats_.equal, sketch.repeats_.singles}) out.integer(x);
  }

  static void read_rest(ByteReader& in, LevelSketch& sketch, std::uint8_t flags) {
    sketch.counted_ = (flags & has_counts) != 0;
    sketch.interrupted_ = (flags & is_interrupted) != 0;
    if (sketch.counted_) read_counts(in, sketch);
    if ((flags & has_ticks) != 0) read_ticks(in, sketch);
    for (std::int64_t* x : {&sketch.repeats_.pairs, &sketch.repeats_.equal, &sketch.repeats_.singles}) {
      *x = in.integer();
      if (*x < 0 || *x > readings_limit) in.refuse();
    }
  }

  static void forget_counts(LevelSketch& sketch) { sketch.forget_counts(); }

 private:
  static bool sound(const LevelSketch& sketch) {
    if (sketch.width_log2_ < 0 || sketch.width_log2_ > widest_log2 || sketch.bins_.size() > LevelSketch::bin_limit)
      return false;
    const std::int64_t key_limit = (std::int64_t{9'000'000'000'000} >> sketch.width_log2_) + 1;
    for (std::size_t i = 0; i < sketch.bins_.size(); ++i) {
      const SketchBin& b = sketch.bins_[i];
      if (b.n < 0 || b.n > readings_limit || b.key > key_limit || b.key < -key_limit ||
          (i > 0 && b.key <= sketch.bins_[i - 1].key))
        return false;
      for (const double x : {b.mean, b.m2, b.covered_s, b.integral_ws})
        if (!std::isfinite(x)) return false;
    }
    return true;
  }
};

namespace {

bool all_finite(std::initializer_list<double> numbers) {
  return std::all_of(numbers.begin(), numbers.end(), [](double x) { return std::isfinite(x); });
}

void write_digest(ByteWriter& out, const SketchDigest& digest) {
  out.real(digest.mean_w);
  out.real(digest.standard_deviation_w);
  out.integer(digest.counter_step_uwh);
}

SketchDigest read_digest(ByteReader& in) {
  const SketchDigest digest{in.real(), in.real(), in.integer()};
  if (!all_finite({digest.mean_w, digest.standard_deviation_w}) || digest.standard_deviation_w < 0.0 ||
      digest.counter_step_uwh < 0)
    in.refuse();
  return digest;
}

void write_cycles(ByteWriter& out, const Cycles& cycles) {
  out.integer(cycles.n);
  out.real(cycles.mean_w);
  out.real(cycles.uncertainty_w);
}

Cycles read_cycles(ByteReader& in) {
  const Cycles cycles{in.integer(), in.real(), in.real()};
  if (cycles.n < 2 || cycles.n > readings_limit || !all_finite({cycles.mean_w, cycles.uncertainty_w}) ||
      cycles.uncertainty_w < 0.0)
    in.refuse();
  return cycles;
}

void write_figure(ByteWriter& out, LevelFigure figure) {
  out.byte(figure.algorithm_version);
  for (const double* x : numbers_of(figure)) out.real(*x);
  if (!figure.settling) return;
  for (const double x : {figure.settling->limit_w, figure.settling->tau_s, figure.settling->time_s}) out.real(x);
  out.byte(figure.settling->ended ? 1 : 0);
}

LevelFigure read_figure(ByteReader& in, std::uint8_t version, bool settles) {
  LevelFigure figure;
  if (version > mixed_version) figure.algorithm_version = in.byte();
  for (double* x : numbers_of(figure)) *x = in.real();
  if (settles) figure.settling = Settling{in.real(), in.real(), in.real(), in.byte() == 1};
  return figure;
}

void write_sketch(ByteWriter& out, const LevelSketch& sketch) {
  const std::uint8_t flags = SketchBytes::flags(sketch);
  out.byte(flags);
  SketchBytes::write_bins(out, sketch);
  SketchBytes::write_rest(out, sketch, flags);
}

LevelSketch read_sketch(ByteReader& in) {
  LevelSketch sketch;
  const std::uint8_t flags = in.byte();
  SketchBytes::read_bins(in, sketch);
  SketchBytes::read_rest(in, sketch, flags);
  return sketch;
}

void write(ByteWriter& out, const Regime& s, bool with_sketch) {
  std::uint8_t flags = with_sketch ? has_sketch : 0;
  if (s.cycles) flags |= has_cycles;
  if (s.figure) flags |= has_figure;
  if (s.figure && s.figure->settling) flags |= has_settling;
  out.byte(regime_version);
  out.byte(flags);
  out.integer(s.begin.us);
  out.integer(s.end.us - s.begin.us);
  out.byte(static_cast<std::uint8_t>(s.shape));
  out.byte(s.duty ? 1 : 0);
  out.integer(s.samples);
  out.integer(s.excursions);
  for (const double x : {s.begin_uncertainty_s, s.end_uncertainty_s, s.energy_ws, s.covered_s, s.lowest_w, s.highest_w,
                         s.duty.value_or(0.0), s.line_begin_w, s.line_end_w})
    out.real(x);
  if (s.cycles) write_cycles(out, *s.cycles);
  if (s.figure) write_figure(out, *s.figure);
  if (with_sketch)
    write_sketch(out, s.sketch);
  else
    write_digest(out, s.digest());
}

/// Of the versions that had the sketch in the middle.
void read_old_sketch(ByteReader& in, Regime& s, std::uint8_t version, std::uint8_t flags) {
  SketchBytes::read_bins(in, s.sketch);
  if (version == plain_version)
    SketchBytes::forget_counts(s.sketch);
  else
    SketchBytes::read_rest(in, s.sketch, flags);
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

void write_regime(ByteWriter& out, const Regime& regime) {
  write(out, regime, true);
}

Regime read_regime(ByteReader& in) {
  Regime s;
  const std::uint8_t version = in.byte();
  if (version < plain_version || version > regime_version) in.refuse();
  const std::uint8_t flags = version == plain_version ? 0 : in.byte();
  s.begin.us = in.integer();
  s.end.us =
      static_cast<std::int64_t>(static_cast<std::uint64_t>(s.begin.us) + static_cast<std::uint64_t>(in.integer()));
  const std::uint8_t shape = in.byte();
  if (shape > static_cast<std::uint8_t>(RegimeShape::decay)) in.refuse();
  s.shape = static_cast<RegimeShape>(shape);
  const bool has_duty = in.byte() == 1;
  s.samples = in.integer();
  s.excursions = in.integer();
  double duty = 0.0;
  for (double* x : {&s.begin_uncertainty_s, &s.end_uncertainty_s, &s.energy_ws, &s.covered_s, &s.lowest_w, &s.highest_w,
                    &duty, &s.line_begin_w, &s.line_end_w}) {
    *x = in.real();
    if (!std::isfinite(*x)) in.refuse();
  }
  if (version == plain_version && !all_finite({in.real(), in.real()})) in.refuse();  // of no meaning
  if (has_duty) s.duty = duty;
  if (version <= mixed_version) read_old_sketch(in, s, version, flags);
  if ((flags & has_cycles) != 0) s.cycles = read_cycles(in);
  if ((flags & has_figure) != 0)
    s.figure = read_figure(in, version, version > mixed_version && (flags & has_settling) != 0);
  if (version > mixed_version) {
    if ((flags & has_sketch) != 0)
      s.sketch = read_sketch(in);
    else
      s.without_sketch = read_digest(in);
  }
  if (s.end < s.begin || s.samples < 0 || s.excursions < 0) in.refuse();
  return s;
}

std::string encode_regime(const Regime& regime) {
  ByteWriter out;
  write_regime(out, regime);
  return out.take();
}

std::string encode_outline(const Regime& regime) {
  ByteWriter out;
  write(out, regime, false);
  return out.take();
}

std::string encode_sketch(const Regime& regime) {
  ByteWriter out;
  write_sketch(out, regime.sketch);
  return out.take();
}

Result<Regime> decode_regime(std::string_view bytes) {
  ByteReader in(bytes);
  Regime regime = read_regime(in);
  if (!in.done())
    return fail(ErrorKind::input, "a stored stretch is damaged or of another version; segment the run anew");
  return regime;
}

Result<void> decode_sketch(std::string_view bytes, Regime& outline) {
  ByteReader in(bytes);
  outline.sketch = read_sketch(in);
  if (!in.done()) return fail(ErrorKind::input, "a stored stretch's sketch is damaged; segment the run anew");
  outline.without_sketch.reset();
  return {};
}

}  // namespace nightwatt
