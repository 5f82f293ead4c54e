// Nights of invented devices put into a store as the service leaves them, for tests of what adds up over many.
#pragma once

#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "measure/signal/meter_profile.hpp"
#include "tests/measure/segments/night.hpp"
#include "tests/tools/live_store.hpp"

namespace nightwatt::test {

struct RecordedNight {
  std::string meter = "bench";
  std::optional<std::string> device;
  UtcTime begin = evening;
  std::vector<std::string> includes;
  std::vector<std::pair<std::string, std::string>> conditions;
  double step_w = 0.01;
  std::optional<std::string> accuracy = "1%";
  std::optional<Correction> correction;
};

/// Off, idle, load, idle: forty minutes at a reading a second.
[[nodiscard]] std::vector<night::Act> plain_night(double idle_w, double load_w);

/// The run's number.
storage::RunId record_night(const LiveStore& bench, const RecordedNight& night, const std::vector<night::Act>& acts,
                            std::uint64_t seed);

/// What a second meter shows of the same night: offset and gain times each reading, rounded to its step.
storage::RunId record_beside(const LiveStore& bench, const RecordedNight& night, const std::vector<night::Act>& acts,
                             std::uint64_t seed, double offset_w, double gain);

}  // namespace nightwatt::test
