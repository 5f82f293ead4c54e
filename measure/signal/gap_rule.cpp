#include "measure/signal/gap_rule.hpp"

#include <algorithm>
#include <bit>

#include "signal/bytes.hpp"

namespace nightwatt {

namespace {
constexpr std::uint8_t state_version = 1;
}

std::size_t GapRule::class_of(std::int64_t interval_us) {
  const auto value = static_cast<std::uint64_t>(std::max<std::int64_t>(interval_us, 1));
  const auto octave = static_cast<int>(std::bit_width(value)) - 1;
  const std::uint64_t sixteenth = octave >= 4 ? (value >> (octave - 4)) & 15U : (value << (4 - octave)) & 15U;
  return std::min(static_cast<std::size_t>(octave) * 16 + static_cast<std::size_t>(sixteenth), class_count - 1);
}

void GapRule::count(std::int64_t interval_us) {
  const std::size_t c = class_of(interval_us);
  ++classes_[c].count;
  classes_[c].sum_us += interval_us;
  ++total_;
  if (total_ == 1) median_ = c;
  if (c < median_) ++below_;
  // Lower median: interval number (total_ - 1) / 2 from the shortest.
  const std::int64_t rank = (total_ - 1) / 2;
  while (below_ > rank) {
    --median_;
    below_ -= classes_[median_].count;
  }
  while (below_ + classes_[median_].count <= rank) {
    below_ += classes_[median_].count;
    ++median_;
  }
}

bool GapRule::push(UtcTime time) {
  if (!last_) {
    last_ = time;
    return false;
  }
  const std::int64_t interval_us = (time - *last_).count();
  last_ = time;
  // The first interval is not held against itself.
  const std::optional<double> unlearnt_s = total_ == 0 ? std::optional(limit_s()) : std::nullopt;
  count(interval_us);
  return static_cast<double>(interval_us) * 1e-6 > unlearnt_s.value_or(limit_s());
}

bool GapRule::is_gap(UtcTime time) const {
  return last_ && to_seconds(time - *last_).value > limit_s();
}

double GapRule::limit_s() const {
  const double median_s = total_ == 0 ? longest_interval_s : median_interval_s();
  return gap_s_.value_or(std::max(shortest_gap_s, median_factor * median_s));
}

double GapRule::median_interval_s() const {
  if (total_ == 0) return 0.0;
  const Class& m = classes_[median_];
  return static_cast<double>(m.sum_us) / static_cast<double>(m.count) * 1e-6;
}

std::string GapRule::save() const {
  ByteWriter out;
  out.byte(state_version);
  out.byte(last_ ? 1 : 0);
  out.integer(last_ ? last_->us : 0);
  const auto used = std::count_if(classes_.begin(), classes_.end(), [](const Class& c) { return c.count != 0; });
  out.whole(static_cast<std::uint64_t>(used));
  for (std::size_t i = 0; i < class_count; ++i) {
    if (classes_[i].count == 0) continue;
    out.whole(i);
    out.integer(classes_[i].count);
    out.integer(classes_[i].sum_us);
  }
  return out.take();
}

Result<GapRule> GapRule::restore(std::string_view state, std::optional<double> gap_s) {
  ByteReader in(state);
  GapRule rule(gap_s);
  if (in.byte() != state_version) in.refuse();
  const bool has_last = in.byte() == 1;
  const UtcTime last{in.integer()};
  if (has_last) rule.last_ = last;
  const std::size_t used = in.count(3);
  for (std::size_t k = 0; k < used && in.ok(); ++k) {
    const std::uint64_t i = in.whole();
    const std::int64_t count = in.integer();
    const std::int64_t sum_us = in.integer();
    if (i >= class_count || count <= 0) {
      in.refuse();
      break;
    }
    rule.classes_[static_cast<std::size_t>(i)] = {count, sum_us};
    rule.total_ += count;
  }
  if (!in.done()) return fail(ErrorKind::input, "saved interval statistics are damaged; segment the run anew");
  if (rule.total_ > 0) {
    const std::int64_t rank = (rule.total_ - 1) / 2;
    while (rule.below_ + rule.classes_[rule.median_].count <= rank) rule.below_ += rule.classes_[rule.median_++].count;
  }
  return rule;
}

}  // namespace nightwatt
