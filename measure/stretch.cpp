#include "measure/stretch.hpp"

#include <cmath>

#include "measure/segmenter.hpp"
#include "stretch_bytes.hpp"

namespace nightwatt {

namespace {

constexpr std::uint8_t stretch_version = 1;
constexpr int widest_log2 = 40;  // 35,000 years: no record is longer

std::int64_t key_of(UtcTime time, int width_log2) {
  const std::int64_t width_us = (std::int64_t{1} << width_log2) * 1'000'000;
  const std::int64_t quotient = time.us / width_us;
  return time.us % width_us < 0 ? quotient - 1 : quotient;
}

void join(SketchBin& into, const SketchBin& from) {
  if (from.n > 0) {
    const double a = static_cast<double>(into.n);
    const double b = static_cast<double>(from.n);
    const double d = from.mean - into.mean;
    into.m2 += from.m2 + d * d * a * b / (a + b);
    into.mean += d * b / (a + b);
    into.n += from.n;
  }
  into.covered_s += from.covered_s;
  into.integral_ws += from.integral_ws;
}

}  // namespace

void LevelSketch::put(const SketchBin& bin) {
  if (!bins_.empty() && bins_.back().key == bin.key) {
    join(bins_.back(), bin);
    return;
  }
  bins_.push_back(bin);
}

void LevelSketch::widen() {
  ++width_log2_;
  std::vector<SketchBin> old;
  old.swap(bins_);
  for (SketchBin bin : old) {
    bin.key >>= 1;
    put(bin);
  }
}

void LevelSketch::add(UtcTime time, std::int64_t n, double mean, double m2, double covered_s, double integral_ws) {
  put({key_of(time, width_log2_), n, mean, m2, covered_s, integral_ws});
  while (bins_.size() > bin_limit) widen();
}

void LevelSketch::append(const LevelSketch& later) {
  if (later.bins_.empty()) return;
  if (bins_.empty()) {
    *this = later;
    return;
  }
  while (width_log2_ < later.width_log2_) widen();
  const int shift = width_log2_ - later.width_log2_;
  for (SketchBin bin : later.bins_) {
    bin.key >>= shift;
    put(bin);
  }
  while (bins_.size() > bin_limit) widen();
}

void LevelSketch::drop_from(UtcTime time) {
  while (bins_.size() > 1 && bin_begin(bins_.back()) >= time) bins_.pop_back();
}

void LevelSketch::drop_before(UtcTime time) {
  std::size_t first = 0;
  while (first + 1 < bins_.size() && bin_begin(bins_[first]) + to_duration({width_s()}) <= time) ++first;
  bins_.erase(bins_.begin(), bins_.begin() + static_cast<std::ptrdiff_t>(first));
}

std::int64_t LevelSketch::n() const {
  std::int64_t n = 0;
  for (const SketchBin& bin : bins_) n += bin.n;
  return n;
}

double LevelSketch::mean() const {
  SketchBin all;
  for (const SketchBin& bin : bins_) join(all, bin);
  return all.mean;
}

double LevelSketch::m2() const {
  SketchBin all;
  for (const SketchBin& bin : bins_) join(all, bin);
  return all.m2;
}

UtcTime LevelSketch::bin_begin(const SketchBin& bin) const {
  return {bin.key * (std::int64_t{1} << width_log2_) * 1'000'000};
}

bool LevelSketch::assign(int width_log2, std::vector<SketchBin> bins) {
  if (width_log2 < 0 || width_log2 > widest_log2 || bins.size() > bin_limit) return false;
  const std::int64_t key_limit = (std::int64_t{9'000'000'000'000} >> width_log2) + 1;
  for (std::size_t i = 0; i < bins.size(); ++i) {
    const SketchBin& b = bins[i];
    if (b.n < 0 || b.key > key_limit || b.key < -key_limit || (i > 0 && b.key <= bins[i - 1].key)) return false;
    for (const double x : {b.mean, b.m2, b.covered_s, b.integral_ws})
      if (!std::isfinite(x)) return false;
  }
  width_log2_ = width_log2;
  bins_ = std::move(bins);
  return true;
}

void write_stretch(ByteWriter& out, const Stretch& s) {
  out.byte(stretch_version);
  out.integer(s.begin.us);
  out.integer(s.end.us - s.begin.us);
  out.byte(static_cast<std::uint8_t>(s.shape));
  out.byte(s.duty ? 1 : 0);
  out.integer(s.samples);
  out.integer(s.excursions);
  for (const double x : {s.begin_uncertainty_s, s.end_uncertainty_s, s.energy_ws, s.covered_s, s.lowest_w, s.highest_w,
                         s.duty.value_or(0.0), s.line_begin_w, s.line_end_w, s.lag1, s.toggle_share})
    out.real(x);
  out.byte(static_cast<std::uint8_t>(s.sketch.width_log2()));
  out.whole(s.sketch.bins().size());
  std::int64_t key = 0;
  for (const SketchBin& b : s.sketch.bins()) {
    out.integer(b.key - key);
    key = b.key;
    out.integer(b.n);
    for (const double x : {b.mean, b.m2, b.covered_s, b.integral_ws}) out.real(x);
  }
}

Stretch read_stretch(ByteReader& in) {
  Stretch s;
  if (in.byte() != stretch_version) in.refuse();
  s.begin.us = in.integer();
  s.end.us =
      static_cast<std::int64_t>(static_cast<std::uint64_t>(s.begin.us) + static_cast<std::uint64_t>(in.integer()));
  const std::uint8_t shape = in.byte();
  if (shape > static_cast<std::uint8_t>(StretchShape::gap)) in.refuse();
  s.shape = static_cast<StretchShape>(shape);
  const bool has_duty = in.byte() == 1;
  s.samples = in.integer();
  s.excursions = in.integer();
  double duty = 0.0;
  for (double* x : {&s.begin_uncertainty_s, &s.end_uncertainty_s, &s.energy_ws, &s.covered_s, &s.lowest_w, &s.highest_w,
                    &duty, &s.line_begin_w, &s.line_end_w, &s.lag1, &s.toggle_share}) {
    *x = in.real();
    if (!std::isfinite(*x)) in.refuse();
  }
  if (has_duty) s.duty = duty;
  const int width_log2 = in.byte();
  std::vector<SketchBin> bins(in.count(34));
  std::uint64_t key = 0;
  for (SketchBin& b : bins) {
    key += static_cast<std::uint64_t>(in.integer());
    b.key = static_cast<std::int64_t>(key);
    b.n = in.integer();
    for (double* x : {&b.mean, &b.m2, &b.covered_s, &b.integral_ws}) *x = in.real();
  }
  if (s.end < s.begin || s.samples < 0 || s.excursions < 0 || !s.sketch.assign(width_log2, std::move(bins)))
    in.refuse();
  return s;
}

std::string encode_stretch(const Stretch& stretch) {
  ByteWriter out;
  write_stretch(out, stretch);
  return out.take();
}

Result<Stretch> decode_stretch(std::string_view bytes) {
  ByteReader in(bytes);
  Stretch stretch = read_stretch(in);
  if (!in.done())
    return fail(ErrorKind::input, "a stored stretch is damaged or of another version; segment the run anew");
  return stretch;
}

}  // namespace nightwatt
