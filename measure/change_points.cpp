#include "measure/change_points.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "bytes.hpp"
#include "noise_scale.hpp"

namespace nightwatt {

namespace {
double median_of_three(double a, double b, double c) {
  return std::max(std::min(a, b), std::min(std::max(a, b), c));
}
}  // namespace

ChangePoints::ChangePoints() : partition_(horizon, 0) {}

double ChangePoints::penalty() const {
  const double floor = step_ / std::sqrt(12.0);
  const double sigma = std::max(sigma_lr_, floor);
  return penalty_factor * sigma * sigma * std::log(static_cast<double>(horizon));
}

void ChangePoints::push(double y) {
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
    const double z = learnt_ ? previous_filtered_ : waiting_.back();
    filtered(z);
  } else {
    if (in_section_ == 2) filtered(before_);
    if (in_section_ >= 1) filtered(last_);
  }
  in_section_ = 0;
}

void ChangePoints::filtered(double z) {
  previous_filtered_ = z;
  if (learnt_) {
    feed(z);
    return;
  }
  waiting_.push_back(z);
  if (static_cast<std::int64_t>(waiting_.size()) >= horizon) learn();
}

void ChangePoints::learn() {
  const NoiseScale noise = learn_noise(waiting_, waiting_cuts_, step_);
  sigma_lr_ = noise.sigma_lr;
  learnt_ = true;
  std::size_t next_cut = 0;
  for (std::size_t i = 0; i < waiting_.size(); ++i) {
    while (next_cut < waiting_cuts_.size() && waiting_cuts_[next_cut] == static_cast<std::int64_t>(i)) {
      partition_.finish();
      collect();
      if (i > 0) final_.push_back(static_cast<std::int64_t>(i));
      ++next_cut;
    }
    feed(waiting_[i]);
  }
  waiting_.clear();
  waiting_.shrink_to_fit();
  waiting_cuts_.clear();
}

void ChangePoints::feed(double z) {
  partition_.push(z, penalty());
  if (partition_.has_final()) collect();
}

void ChangePoints::collect() {
  const std::vector<std::int64_t> changes = partition_.take_final();
  final_.insert(final_.end(), changes.begin(), changes.end());
}

void ChangePoints::cut() {
  if (in_section_ == 0) return;
  close_section();
  if (!learnt_) {
    waiting_cuts_.push_back(static_cast<std::int64_t>(waiting_.size()));
    return;
  }
  partition_.finish();
  collect();
  final_.push_back(pushed_);
}

void ChangePoints::finish() {
  close_section();
  if (!learnt_) {
    if (!waiting_cuts_.empty() && waiting_cuts_.back() == static_cast<std::int64_t>(waiting_.size()))
      waiting_cuts_.pop_back();
    learn();
  }
  partition_.finish();
  collect();
}

std::vector<std::int64_t> ChangePoints::take_final() {
  return std::exchange(final_, {});
}

std::int64_t ChangePoints::decided() const {
  return learnt_ ? partition_.decided() : 0;
}

void ChangePoints::save(ByteWriter& out) const {
  out.integer(pushed_);
  for (const double x : {step_, sigma_lr_, before_, last_, previous_filtered_}) out.real(x);
  out.byte(learnt_ ? 1 : 0);
  out.integer(in_section_);
  out.whole(waiting_.size());
  for (const double x : waiting_) out.real(x);
  out.whole(waiting_cuts_.size());
  for (const std::int64_t x : waiting_cuts_) out.integer(x);
  partition_.save(out);
  out.whole(final_.size());
  for (const std::int64_t x : final_) out.integer(x);
}

void ChangePoints::restore(ByteReader& in) {
  pushed_ = in.integer();
  for (double* x : {&step_, &sigma_lr_, &before_, &last_, &previous_filtered_}) *x = in.real();
  learnt_ = in.byte() == 1;
  in_section_ = in.integer();
  waiting_.resize(in.count(8));
  for (double& x : waiting_) x = in.real();
  waiting_cuts_.resize(in.count(1));
  for (std::int64_t& x : waiting_cuts_) x = in.integer();
  partition_.restore(in);
  final_.resize(in.count(1));
  for (std::int64_t& x : final_) x = in.integer();
}

}  // namespace nightwatt
