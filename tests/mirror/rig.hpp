// A rig for the mirror's tests: a store in a folder of its own with made-up nights, and the mirror's work done once.
#pragma once

#include <catch2/catch.hpp>
#include <cstdint>
#include <string>
#include <vector>

#include "postgres.hpp"
#include "server.hpp"
#include "storage/store.hpp"

namespace nightwatt::mirror::test {

inline constexpr std::int64_t night_us = 1'767'646'800'000'000;  // 2026-01-05T21:00:00Z
inline constexpr std::int64_t second_us = 1'000'000;

template <class T>
T must(Result<T> result) {
  if (!result) FAIL(result.error().message);
  return std::move(*result);
}
inline void must(Result<void> result) {
  if (!result) FAIL(result.error().message);
}

/// Gone at the end, with all that is in it.
class Folder {
 public:
  Folder();
  ~Folder();
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  [[nodiscard]] std::string store() const { return path_ + "/rig.db"; }
  [[nodiscard]] const std::string& path() const { return path_; }

 private:
  std::string path_;
};

/// A made-up night of a small board on a meter of two quantities, with the odd hole.
std::vector<Reading> night(std::int64_t begin_us, std::uint32_t seed, int seconds);
/// A run of these readings, with an event at its end.
storage::RunId record(storage::StoreWriter& store, const std::string& meter, const std::string& device,
                      const std::vector<Reading>& readings, bool ended);

/// As the mirror's thread does it, once. Gives how many readings went over.
Result<std::int64_t> mirror_once(const std::string& conninfo, const std::string& store, const std::string& rig,
                                 Cancellation& cancellation);
std::int64_t mirror_once(const std::string& conninfo, const std::string& store, const std::string& rig);

/// Every reading as a line, of a store and of the mirror.
std::string lines_of(const std::string& path);
std::string lines_of(const Postgres& server, const std::string& rig);

}  // namespace nightwatt::mirror::test
