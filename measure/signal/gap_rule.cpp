#include "measure/signal/gap_rule.hpp"

#include <algorithm>
#include <bit>
#include <vector>

#include "signal/archive.hpp"

namespace nightwatt {

namespace {
constexpr std::uint64_t state_version = 1;
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

/// The classes that hold something, and the last time.
struct GapRule::Saved {
  struct Used {
    std::uint64_t place = 0;
    Class of;
    template <class Archive, class Self>
    static void archive(Archive& ar, Self& self) {
      ar(self.place, self.of.count, self.of.sum_us);
      ar.require(self.place < class_count && self.of.count > 0);
    }
  };
  std::optional<UtcTime> last;
  std::vector<Used> used;
  template <class Archive, class Self>
  static void archive(Archive& ar, Self& self) {
    ar.version(state_version, state_version);
    ar(self.last, self.used);
  }
};

std::string GapRule::save() const {
  Saved state{last_, {}};
  for (std::size_t i = 0; i < class_count; ++i)
    if (classes_[i].count != 0) state.used.push_back({i, classes_[i]});
  return saved(state);
}

bool GapRule::go_on_from(std::string_view bytes) {
  Saved state;
  if (!restored(bytes, state)) return false;
  last_ = state.last;
  for (const Saved::Used& used : state.used) {
    classes_[static_cast<std::size_t>(used.place)] = used.of;
    total_ += used.of.count;
  }
  const std::int64_t rank = (total_ - 1) / 2;
  while (total_ > 0 && below_ + classes_[median_].count <= rank) below_ += classes_[median_++].count;
  return true;
}

Result<GapRule> GapRule::restore(std::string_view state, std::optional<double> gap_s) {
  GapRule rule(gap_s);
  if (rule.go_on_from(state)) return rule;
  return fail(ErrorKind::input, "saved interval statistics are damaged; segment the run anew");
}

}  // namespace nightwatt
