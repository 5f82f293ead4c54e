// A sum of many doubles that does not lose the small ones.
#pragma once

#include <cmath>

namespace nightwatt {

/// Kahan's compensated sum as improved by Neumaier (Z. Angew. Math. Mech. 54 (1974) 39, from memory): the error does
/// not grow with the number of terms.
class RunningSum {
 public:
  void add(double term) {
    const double sum = sum_ + term;
    lost_ += std::abs(sum_) >= std::abs(term) ? (sum_ - sum) + term : (term - sum) + sum_;
    sum_ = sum;
  }
  [[nodiscard]] double value() const { return sum_ + lost_; }
  /// The two parts of the state, for whoever saves and restores it.
  [[nodiscard]] double sum() const { return sum_; }
  [[nodiscard]] double lost() const { return lost_; }
  void restore(double sum, double lost) {
    sum_ = sum;
    lost_ = lost;
  }

 private:
  double sum_ = 0.0;
  double lost_ = 0.0;
};

}  // namespace nightwatt
