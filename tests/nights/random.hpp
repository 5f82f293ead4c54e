// Random numbers that are the same with every library: own arithmetic on the
// bits of one fixed generator.
#pragma once

#include <cmath>
#include <cstdint>
#include <random>

namespace nightwatt::nights {

class Random {
 public:
  explicit Random(std::uint64_t seed) : bits_(seed * 0x9e3779b97f4a7c15ULL + 0x632be59bd9b4e019ULL) {}

  double uniform() { return static_cast<double>(bits_() >> 11) * 0x1.0p-53; }
  double uniform(double low, double high) { return low + (high - low) * uniform(); }
  double log_uniform(double low, double high) { return low * std::exp(uniform() * std::log(high / low)); }
  bool chance(double probability) { return uniform() < probability; }
  int whole(int low, int high) { return low + static_cast<int>(bits_() % static_cast<std::uint64_t>(high - low + 1)); }
  /// Of mean 0 and variance 1: twelve uniform ones, near enough to normal out
  /// to three deviations.
  double normal() {
    double sum = -6.0;
    for (int i = 0; i < 12; ++i) sum += uniform();
    return sum;
  }

 private:
  std::mt19937_64 bits_;
};

}  // namespace nightwatt::nights
