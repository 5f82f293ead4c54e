#include "measure/uncertainty/level_sketch.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "measure/signal/microwatts.hpp"

namespace nightwatt {

namespace {

std::int64_t key_of(UtcTime time, int width_log2) {
  const std::int64_t width_us = (std::int64_t{1} << width_log2) * 1'000'000;
  const std::int64_t quotient = time.us / width_us;
  return time.us % width_us < 0 ? quotient - 1 : quotient;
}

}  // namespace

void LevelSketch::forget_counts() {
  counted_ = false;
  values_uw_.clear();
  for (SketchBin& bin : bins_) bin.counts.clear();
}

void LevelSketch::count(SketchBin& bin, std::int64_t microwatts, std::int64_t n) {
  if (!counted_) return;
  const auto at = std::find(values_uw_.begin(), values_uw_.end(), microwatts);
  const auto place = static_cast<std::size_t>(at - values_uw_.begin());
  if (at == values_uw_.end()) {
    if (values_uw_.size() == value_limit) {
      forget_counts();
      bin.counts.clear();
      return;
    }
    values_uw_.push_back(microwatts);
  }
  if (bin.counts.size() <= place) bin.counts.resize(place + 1, 0);
  bin.counts[place] += n;
}

/// A bin of one reading holds its value as the mean; before another joins it, it is counted.
void LevelSketch::count_single(SketchBin& bin) {
  if (!counted_ || bin.n != 1 || !bin.counts.empty()) return;
  if (const auto value = microwatts_of(bin.mean))
    count(bin, *value, 1);
  else
    forget_counts();
}

void LevelSketch::join(SketchBin& into, const SketchBin& from) {
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
  if (!from.tick) return;
  const bool broken = from.tick->broken || (into.tick && into.tick->broken);
  into.tick = from.tick;
  into.tick->broken = broken;
}

void LevelSketch::put(SketchBin bin) {
  if (bin.tick && interrupted_) {
    bin.tick->broken = true;
    interrupted_ = false;
  }
  if (bins_.empty() || bins_.back().key != bin.key) {
    bins_.push_back(std::move(bin));
    return;
  }
  SketchBin& last = bins_.back();
  count_single(last);
  count_single(bin);
  for (std::size_t i = 0; counted_ && i < bin.counts.size(); ++i) {
    if (last.counts.size() <= i) last.counts.resize(i + 1, 0);
    last.counts[i] += bin.counts[i];
  }
  join(last, bin);
}

void LevelSketch::widen() {
  ++width_log2_;
  std::vector<SketchBin> old;
  old.swap(bins_);
  const bool interrupted = std::exchange(interrupted_, false);
  for (std::size_t i = 0; i < old.size(); ++i) {
    old[i].key >>= 1;
    if (!counted_) old[i].counts.clear();
    put(std::move(old[i]));
  }
  interrupted_ = interrupted;
}

void LevelSketch::add(const SketchEntry& entry) {
  repeats_.add(entry.repeats);
  if (entry.tick) {
    tick_width_s_ = std::max(tick_width_s_, entry.tick_width_s);
    if (entry.tick_step_uwh > 0 && (tick_step_uwh_ == 0 || entry.tick_step_uwh < tick_step_uwh_))
      tick_step_uwh_ = entry.tick_step_uwh;
  }
  const std::int64_t key = key_of(entry.time, width_log2_);
  SketchBin bin{key, entry.n, entry.mean, entry.m2, entry.covered_s, entry.integral_ws, {}, entry.tick};
  if (entry.n > 1 && counted_) {
    if (entry.values.empty()) forget_counts();
    for (const ShownValue& value : entry.values) count(bin, value.microwatts, value.n);
  }
  put(std::move(bin));
  while (bins_.size() > bin_limit) widen();
}

void LevelSketch::append(const LevelSketch& later) {
  repeats_.add(later.repeats_);
  tick_width_s_ = std::max(tick_width_s_, later.tick_width_s_);
  if (later.tick_step_uwh_ > 0 && (tick_step_uwh_ == 0 || later.tick_step_uwh_ < tick_step_uwh_))
    tick_step_uwh_ = later.tick_step_uwh_;
  if (!later.counted_) forget_counts();
  while (width_log2_ < later.width_log2_) widen();
  const int shift = width_log2_ - later.width_log2_;
  for (const SketchBin& theirs : later.bins_) {
    SketchBin bin{theirs.key >> shift, theirs.n,           theirs.mean, theirs.m2,
                  theirs.covered_s,    theirs.integral_ws, {},          theirs.tick};
    for (std::size_t i = 0; i < theirs.counts.size(); ++i)
      if (theirs.counts[i] > 0) count(bin, later.values_uw_[i], theirs.counts[i]);
    put(std::move(bin));
  }
  interrupted_ = interrupted_ || later.interrupted_;
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
  double n = 0.0, sum = 0.0;
  if (bins_.empty()) return 0.0;
  const double about = bins_.front().mean;
  for (const SketchBin& bin : bins_) {
    n += static_cast<double>(bin.n);
    sum += static_cast<double>(bin.n) * (bin.mean - about);
  }
  return n > 0.0 ? about + sum / n : about;
}

double LevelSketch::m2() const {
  const double about = mean();
  double sum = 0.0;
  for (const SketchBin& bin : bins_)
    sum += bin.m2 + static_cast<double>(bin.n) * (bin.mean - about) * (bin.mean - about);
  return sum;
}

UtcTime LevelSketch::bin_begin(const SketchBin& bin) const {
  return {bin.key * (std::int64_t{1} << width_log2_) * 1'000'000};
}

std::vector<ShownValue> LevelSketch::shown(const SketchBin& bin) const {
  std::vector<ShownValue> all;
  if (!counted_) return all;
  if (bin.n == 1 && bin.counts.empty()) {
    if (const auto value = microwatts_of(bin.mean)) all.push_back({*value, 1});
    return all;
  }
  for (std::size_t i = 0; i < bin.counts.size(); ++i)
    if (bin.counts[i] > 0) all.push_back({values_uw_[i], bin.counts[i]});
  return all;
}

}  // namespace nightwatt
