#include "measure/segment/change_points.hpp"

#include <algorithm>
#include <cmath>
#include <span>
#include <utility>

#include "segment/noise_scale.hpp"
#include "signal/archive.hpp"

namespace nightwatt {

namespace {
double median_of_three(double a, double b, double c) {
  return std::max(std::min(a, b), std::min(std::max(a, b), c));
}

constexpr double arithmetic_noise = 1e-9;  // of the largest number: differences below are rounding
constexpr double walk_allowance = 3.0;     // fitted noise over the noise of most of a block
constexpr double one_count = 1.2;          // display steps: two neighbouring counts, on a scale that is a little bent
constexpr std::size_t least_block = 256;   // fewer numbers say little of their noise: the block before speaks
}  // namespace

ChangePoints::ChangePoints() : partition_(horizon, 0) {}

double ChangePoints::penalty() const {
  const double sigma = std::max({sigma_lr_, step() / std::sqrt(12.0), magnitude_ * arithmetic_noise});
  return penalty_factor * sigma * sigma * std::log(static_cast<double>(horizon));
}

void ChangePoints::push(double y) {
  if (in_section_ > 0) {
    const double difference = std::abs(y - last_);
    if (difference > 0.0 && (least_difference_ == 0.0 || difference < least_difference_))
      least_difference_ = difference;
  }
  ++in_section_;
  ++pushed_;
  if (in_section_ == 3) filtered(median_of_three(before_, last_, y));  // stands for the section's first number too
  if (in_section_ >= 3) filtered(median_of_three(before_, last_, y));
  before_ = last_;
  last_ = y;
}

void ChangePoints::close_section() {
  // The last number has one neighbour only: what was said of its neighbour is said again.
  if (in_section_ >= 3) {
    filtered(previous_filtered_);
  } else {
    if (in_section_ == 2) filtered(before_);
    if (in_section_ >= 1) filtered(last_);
  }
  in_section_ = 0;
}

void ChangePoints::filtered(double z) {
  previous_filtered_ = z;
  magnitude_ = std::max(magnitude_, std::abs(z));
  waiting_.push_back(z);
  if (static_cast<std::int64_t>(waiting_.size()) >= horizon) run_block();
}

void ChangePoints::learn_block_noise() {
  if (fed_ == 0) {
    sigma_lr_ = learn_noise(waiting_, waiting_cuts_, step()).sigma_lr;
    if (waiting_.size() >= least_block) {
      const double most = std::max(follow_noise(waiting_), step() / std::sqrt(12.0));
      // A few ramps in a quiet record look like a random walk to the fit; most of the record says otherwise.
      sigma_lr_ = std::min(sigma_lr_, walk_allowance * most);
      // More blocks follow, and what each calls noise must not be steps in the first.
      if (static_cast<std::int64_t>(waiting_.size()) >= horizon) sigma_lr_ = std::max(sigma_lr_, most);
    }
  } else if (waiting_.size() >= least_block) {
    sigma_lr_ = follow_noise(waiting_);
  }
}

void ChangePoints::judge_locally(std::size_t widest, double negligible, double shortest) {
  widest_ = widest;
  // A step d between two levels of n numbers each saves n d^2 / 2: so much is the penalty then.
  least_share_ = negligible * std::sqrt(shortest / (2.0 * penalty_factor * std::log(static_cast<double>(horizon))));
}

/// The noise of every local block; between two of them it is the quieter one's, as a change between them is judged by
/// whichever side shows it better. Blocks in which a display toggles between two counts are judged by what all such
/// toggle: one of them alone may show nothing of it.
std::vector<double> ChangePoints::local_noises() const {
  const std::size_t count = std::max<std::size_t>(1, waiting_.size() / local_block);
  std::vector<double> own(count);
  std::vector<std::size_t> toggling;
  double squares = 0.0;
  for (std::size_t b = 0; b < count; ++b) {
    const std::size_t from = b * local_block, to = b + 1 == count ? waiting_.size() : from + local_block;
    const std::span<const double> block = std::span(waiting_).subspan(from, to - from);
    if (block.empty()) continue;
    // d asinh(x) = tanh(asinh(x)) dx / x.
    const double scale = std::tanh(std::abs(block[block.size() / 2]));
    own[b] = std::max(local_noise(block, widest_), least_share_ * scale);
    const auto [low, high] = std::minmax_element(block.begin(), block.end());
    if (*high - *low > one_count * step()) continue;
    toggling.push_back(b);
    squares += toggling_noise_square(block, widest_);
  }
  for (const std::size_t b : toggling)
    own[b] = std::max(own[b], std::sqrt(squares / static_cast<double>(toggling.size())));
  std::vector<double> quiet(count);
  for (std::size_t b = 0; b < count; ++b)
    quiet[b] = std::min({own[b > 0 ? b - 1 : 0], own[b], own[std::min(b + 1, count - 1)]});
  return quiet;
}

void ChangePoints::run_block() {
  std::vector<double> local;
  if (widest_ == 0)
    learn_block_noise();
  else
    local = local_noises();
  double change_penalty = penalty();
  auto next_cut = waiting_cuts_.begin();
  for (std::size_t i = 0; i < waiting_.size(); ++i) {
    if (i % local_block == 0 && i / local_block < local.size()) {
      sigma_lr_ = local[i / local_block];
      change_penalty = penalty();
    }
    if (next_cut != waiting_cuts_.end() && *next_cut == static_cast<std::int64_t>(i)) {
      partition_.finish();
      collect();
      final_.push_back(fed_);
      ++next_cut;
    }
    partition_.push(waiting_[i], change_penalty);
    ++fed_;
  }
  collect();
  waiting_.clear();
  waiting_cuts_.clear();
}

void ChangePoints::collect() {
  const std::vector<std::int64_t> changes = partition_.take_final();
  final_.insert(final_.end(), changes.begin(), changes.end());
}

void ChangePoints::cut() {
  if (in_section_ == 0) return;
  close_section();
  waiting_cuts_.push_back(static_cast<std::int64_t>(waiting_.size()));
}

void ChangePoints::finish() {
  close_section();
  // A cut after the last number begins nothing.
  if (!waiting_cuts_.empty() && waiting_cuts_.back() == static_cast<std::int64_t>(waiting_.size()))
    waiting_cuts_.pop_back();
  run_block();
  partition_.finish();
  collect();
}

std::vector<std::int64_t> ChangePoints::take_final() {
  return std::exchange(final_, {});
}

template <class Archive, class Self>
void ChangePoints::archive(Archive& ar, Self& self) {
  ar(self.pushed_, self.widest_, self.least_share_, self.step_, self.least_difference_, self.sigma_lr_, self.magnitude_,
     self.before_, self.last_, self.previous_filtered_, self.fed_, self.in_section_, self.waiting_, self.waiting_cuts_,
     self.partition_, self.final_);
}
template void ChangePoints::archive(Saver&, const ChangePoints&);
template void ChangePoints::archive(Restorer&, ChangePoints&);

}  // namespace nightwatt
