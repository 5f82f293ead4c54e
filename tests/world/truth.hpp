// Holds a store against what the meters said: the model that the service must not be wiser than.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "figures/run_figures.hpp"
#include "figures/run_recorder.hpp"
#include "measure/signal/reading.hpp"
#include "sim_meter.hpp"
#include "storage/store.hpp"

namespace nightwatt::world {

/// How a service came to its end, and what may be missing for it.
struct End {
  std::uint64_t boot = 0;
  bool power_cut = false;  ///< and what was committed may be taken back
  /// What was said up to here must be stored (a power cut: nothing must, but what is there is there without a hole).
  std::int64_t safe_us = 0;
  /// The machine's calendar less its monotonic clock, as it has been since the newest of what must be stored.
  std::vector<std::int64_t> calendars_us;
  std::string machine;  ///< its boot
  bool killed = false;  ///< whether the store must say that the service did not come to its end
  bool clean = false;   ///< it came to its end and had stored all: what is there survives any power cut
  /// Names that may be gone because two runs became one since the last look.
  std::uint64_t joins = 0;
  /// Somebody asked since the last look for something that may end a run, or give one another end.
  bool by_hand = false;
  /// Nothing kept the service from storing what it must say about itself.
  bool well = false;
  bool ran = true;  ///< there was a service to end
};

/// What somebody asked of a run, and what the answer was.
struct Asked {
  std::string device;
  bool answered = false;
  bool done = false;    ///< the answer was yes
  bool undone = false;  ///< and then the name was taken away again
};

/// Kept over the whole night; looks at the store each time a service has ended.
class Truth {
 public:
  explicit Truth(std::string store_path) : path_(std::move(store_path)) {}

  void know(const SimMeter* meter) { meters_.push_back(meter); }
  /// From now on some of what was stored may be gone, or in a store that was set aside. What is there must be true all
  /// the same, and what is said from now on must be stored.
  void expect_damage();
  /// Empty: all is well.
  [[nodiscard]] std::string look(const End& end, std::map<std::string, Asked>& asked);
  [[nodiscard]] std::uint64_t readings() const;

 private:
  struct File {
    std::uint64_t id = 0;
    Result<storage::StoreReader> store;
  };
  struct Stream {
    std::vector<Reading> accepted;  ///< found true before
    std::size_t said = 0;           ///< of the meter's, dealt with before
    std::size_t durable = 0;        ///< of the accepted, since a clean end put them on the platter
    std::size_t by_hand = 0;        ///< of the accepted, when runs were last ended by hand
    bool owed = false;              ///< readings were lost with a service, and no event has told so yet
    std::string machine;            ///< in whose time line the newest of them lie, if that is certain
    std::int64_t offset_us = 0;     ///< record time less the monotonic clock there
    std::map<std::uint64_t, std::vector<Reading>> of_file;  ///< found true in each file, once there are several
  };

  [[nodiscard]] std::vector<File> files() const;
  [[nodiscard]] bool holds_nothing(const File& file) const;
  [[nodiscard]] bool nothing_must_be_there(const End& end) const;
  [[nodiscard]] std::string look_at_parts(const storage::StoreReader& store, const End& end);
  [[nodiscard]] std::string look_at_time_line(const storage::StoreReader& store, Stream& stream, const End& end,
                                              std::int64_t offset_us, UtcTime before, UtcTime first);
  [[nodiscard]] std::string look_at_meter(const storage::StoreReader& store, const SimMeter& meter, const End& end);
  [[nodiscard]] std::string look_at_files(const std::vector<File>& files, const SimMeter& meter, const End& end);
  [[nodiscard]] static std::string keep_found(std::vector<Reading>& known, const std::vector<Reading>& stored);
  [[nodiscard]] static std::string keep_old(Stream& stream, const std::vector<Reading>& stored, bool may_shrink);
  [[nodiscard]] std::string match_new(const storage::StoreReader& store, storage::StreamId id, Stream& stream,
                                      const std::vector<Reading>& stored, const SimMeter& meter, const End& end);
  [[nodiscard]] std::string look_at_runs(const storage::StoreReader& store, const End& end,
                                         std::map<std::string, Asked>& asked);
  [[nodiscard]] static std::string look_at_losses(const storage::StoreReader& store, Stream& stream, UtcTime before,
                                                  UtcTime first);
  [[nodiscard]] std::string look_at_ends(const storage::StoreReader& store, const End& end);
  [[nodiscard]] std::string look_at_figures(const figures::RunFigures& figures) const;
  [[nodiscard]] std::string look_at_new_file(const storage::StoreReader& store);
  [[nodiscard]] std::string figures_anew(const storage::StoreReader& store, bool beside_what_was_said);

  const std::string path_;
  std::vector<const SimMeter*> meters_;
  std::map<std::string, Stream> streams_;
  std::set<storage::RunId> ended_;  ///< runs whose end was looked at
  bool damaged_ = false;
  std::size_t files_seen_ = 1;
  std::uint64_t damaged_file_ = 0;  ///< the last one that was
  std::optional<End> before_;       ///< how the service before ended
};

}  // namespace nightwatt::world
