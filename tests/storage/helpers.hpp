// What the storage tests share: folders that vanish, and made-up readings.
#pragma once

#include <catch2/catch.hpp>
#include <cstdint>
#include <filesystem>
#include <random>
#include <string>
#include <vector>

#include "measure/signal/reading.hpp"
#include "storage/store.hpp"

namespace nightwatt::storage::test {

/// A folder of its own, removed at the end.
class Folder {
 public:
  Folder() {
    std::string name = (std::filesystem::temp_directory_path() / "nightwatt-test-XXXXXX").string();
    REQUIRE(::mkdtemp(name.data()) != nullptr);
    path_ = name;
  }
  ~Folder() {
    std::error_code ignored;
    std::filesystem::remove_all(path_, ignored);
  }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  [[nodiscard]] std::string file(const char* name = "store.db") const { return (path_ / name).string(); }
  [[nodiscard]] const std::filesystem::path& path() const { return path_; }

 private:
  std::filesystem::path path_;
};

template <class T>
T must(Result<T> result) {
  INFO((result ? std::string() : result.error().message));
  REQUIRE(result.has_value());
  return std::move(*result);
}
inline void must(const Result<void>& result) {
  INFO((result ? std::string() : result.error().message));
  REQUIRE(result.has_value());
}

/// Equal down to the digits the meter gave: 25.0 is not 25.00 here.
inline bool same_digits(const Reading& a, const Reading& b) {
  if (a.time != b.time || a.values.present() != b.values.present()) return false;
  for (const Quantity quantity : all_quantities) {
    const auto x = a.values.get(quantity);
    const auto y = b.values.get(quantity);
    if (x && (x->mantissa != y->mantissa || x->exponent != y->exponent)) return false;
  }
  return true;
}

inline Reading power_reading(std::int64_t time_us, std::int64_t mantissa, int exponent = 0) {
  Reading reading;
  reading.time.us = time_us;
  reading.values.set(Quantity::power, Decimal{mantissa, static_cast<std::int8_t>(exponent)});
  return reading;
}

inline constexpr std::int64_t night_us = 1'767'646'800'000'000;  // 2026-01-05T21:00:00Z

/// Whole watts once a second, idle most of the time.
inline std::vector<Reading> quiet_night(std::size_t count, std::uint32_t seed, std::int64_t begin_us = night_us) {
  std::mt19937 random(seed);
  std::vector<Reading> readings;
  readings.reserve(count);
  std::int64_t watts = 8;
  for (std::size_t i = 0; i < count; ++i) {
    const auto dice = random() % 1000;
    if (dice < 15) watts = 8 + static_cast<std::int64_t>(random() % 2);
    if (dice == 999) watts = 26;
    readings.push_back(power_reading(begin_us + static_cast<std::int64_t>(i) * 1'000'000, watts));
  }
  return readings;
}

}  // namespace nightwatt::storage::test
