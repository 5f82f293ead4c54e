// Holds a store against what the meters said: the model that the service must not be wiser than.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "measure/reading.hpp"
#include "sim_meter.hpp"
#include "storage/store.hpp"

namespace nightwatt::world {

/// How a service came to its end, and what may be missing for it.
struct End {
  std::uint64_t boot = 0;
  bool power_cut = false;
  /// What was said up to here must be stored (a power cut: nothing must, but what is there is there without a hole).
  std::int64_t safe_us = 0;
  /// The machine's calendar less its monotonic clock.
  std::int64_t calendar_us = 0;
};

/// What somebody asked of a run, and what the answer was.
struct Asked {
  std::string device;
  bool answered = false;
  bool done = false;  ///< the answer was yes
};

/// Kept over the whole night; looks at the store each time a service has ended.
class Truth {
 public:
  explicit Truth(std::string store_path) : path_(std::move(store_path)) {}

  void know(const SimMeter* meter) { meters_.push_back(meter); }
  /// Empty: all is well.
  [[nodiscard]] std::string look(const End& end, std::map<std::string, Asked>& asked);
  [[nodiscard]] std::uint64_t readings() const;

 private:
  struct Stream {
    std::vector<Reading> accepted;  ///< found true before
    std::size_t said = 0;           ///< of the meter's, dealt with before
  };

  [[nodiscard]] bool nothing_must_be_there(const End& end) const;
  [[nodiscard]] std::string look_at_meter(const storage::StoreReader& store, const SimMeter& meter, const End& end);
  [[nodiscard]] std::string keep_old(Stream& stream, const std::vector<Reading>& stored, const std::string& name,
                                     bool may_shrink);
  [[nodiscard]] std::string match_new(const storage::StoreReader& store, storage::StreamId id, Stream& stream,
                                      const std::vector<Reading>& stored, const SimMeter& meter, const End& end);
  [[nodiscard]] std::string look_at_runs(const storage::StoreReader& store, const End& end,
                                         std::map<std::string, Asked>& asked);
  [[nodiscard]] std::string figures_anew(const storage::StoreReader& store);

  const std::string path_;
  std::vector<const SimMeter*> meters_;
  std::map<std::string, Stream> streams_;
};

}  // namespace nightwatt::world
