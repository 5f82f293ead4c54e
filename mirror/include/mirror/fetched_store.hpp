// A store made of what a mirror has of all its rigs, in a temporary folder, so that every figure is made by the same
// code from the same bytes as on the rig.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "measure/signal/result.hpp"

namespace nightwatt::mirror {

/// Owns the folder, which is gone with it. Runs have the mirror's numbers; a meter is called `RIG/METER`.
class FetchedStore {
 public:
  /// All runs with their figures, meters, marks and events, as of one moment. ErrorKind::unusable: the server;
  /// negative: there is no mirror.
  [[nodiscard]] static Result<FetchedStore> fetch(const std::string& conninfo);
  FetchedStore(FetchedStore&&) noexcept;
  FetchedStore& operator=(FetchedStore&&) = delete;
  ~FetchedStore();

  /// The readings of these runs, for whoever draws them, and those that open runs' figures need. Once, before a figure
  /// is asked for.
  [[nodiscard]] Result<void> fetch_readings(const std::vector<std::int64_t>& runs);
  [[nodiscard]] std::string path() const;

 private:
  class Impl;
  explicit FetchedStore(std::unique_ptr<Impl> impl);
  std::unique_ptr<Impl> impl_;
};

}  // namespace nightwatt::mirror
