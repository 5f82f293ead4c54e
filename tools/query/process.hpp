// Runs a command as a child of this process, and waits, so that an interrupt ends both cleanly.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "measure/signal/result.hpp"

namespace nightwatt::query {

/// While it lives, SIGINT, SIGTERM and SIGHUP wait to be asked for instead of ending this process. One at a time.
class HeldSignals {
 public:
  HeldSignals();
  ~HeldSignals();
  HeldSignals(const HeldSignals&) = delete;
  HeldSignals& operator=(const HeldSignals&) = delete;

  /// Waits this long; the signal, where one came before.
  [[nodiscard]] std::optional<int> wait(double seconds) const;
};

struct Ended {
  int status = 0;  ///< its exit status, or 128 + the signal that ended it
  double seconds = 0.0;
  std::optional<int> interrupted;  ///< a signal that came to this process meanwhile and was handed on
};

/// Runs `words` to its end. `out_to_err`: its standard output goes to our standard error. A command that cannot be
/// started has status 127 (not found) or 126, as a shell says it.
[[nodiscard]] Result<Ended> run_child(const HeldSignals& signals, const std::vector<std::string>& words,
                                      bool out_to_err);

/// The words as a shell reads them back.
[[nodiscard]] std::string shell_text(const std::vector<std::string>& words);

}  // namespace nightwatt::query
