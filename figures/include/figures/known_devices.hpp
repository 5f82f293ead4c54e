// Which named device a run without a name most likely was.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "figures/figures.hpp"
#include "measure/history/recognition.hpp"

namespace nightwatt::figures {

struct Proposal {
  storage::RunId run = 0;
  /// The likeliest first, down to those of hardly any odds; safe to print only after text::printable().
  std::vector<std::pair<std::string, double>> devices;
  double none = 1.0;
  /// The likeliest, where its odds are high enough to say so.
  [[nodiscard]] const std::string* device() const;
  [[nodiscard]] double posterior() const { return devices.empty() ? 0.0 : devices.front().second; }
};

/// What the store's named runs look like. Reads the newest runs of every device once.
class KnownDevices {
 public:
  [[nodiscard]] static Result<KnownDevices> of(const storage::StoreReader& store);
  [[nodiscard]] Result<Proposal> propose(const storage::StoreReader& store, const storage::RunInfo& run) const;
  [[nodiscard]] bool empty() const { return recogniser_.devices().empty(); }
  /// False: runs that are damaged, or cannot be read, are left out.
  [[nodiscard]] bool is_whole() const { return is_whole_; }

 private:
  KnownDevices(Recogniser recogniser, bool is_whole) : recogniser_(std::move(recogniser)), is_whole_(is_whole) {}
  Recogniser recogniser_;
  bool is_whole_;
};

/// Whether a proposal is made for it: it has readings, is over, and nobody has named it.
[[nodiscard]] bool wants_name(const storage::RunInfo& run);

/// Gives the run the name of the device it is known to be above 99 %, with a note pinned to its begin that says so;
/// nullopt where it is not that sure. Outside of any transaction.
[[nodiscard]] Result<std::optional<Proposal>> name_if_sure(storage::StoreWriter& store, const storage::RunInfo& run);

/// `99.7 %`; never 100.
[[nodiscard]] std::string posterior_text(double posterior);

}  // namespace nightwatt::figures
