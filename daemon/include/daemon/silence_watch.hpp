// Notices a meter that has fallen silent, once, and that it is back.
#pragma once

#include <map>
#include <optional>
#include <vector>

#include "daemon/reading_queue.hpp"
#include "measure/signal/time.hpp"

namespace nightwatt::daemon {

/// For one patience and all meters. Loop thread.
class SilenceWatch {
 public:
  explicit SilenceWatch(Duration silence_limit) : silence_limit_(silence_limit) {}

  struct News {
    bool silent = false;  ///< else: back
    Duration lasted{0};   ///< the silence so far, or in all
  };
  /// `heard`: when the meter's last reading came, or since when it could have given its first. nullopt: nothing new.
  [[nodiscard]] std::optional<News> look(MeterId meter, MonoTime heard, MonoTime now);
  /// The others are no longer recorded.
  void keep_only(const std::vector<MeterId>& meters);

 private:
  Duration silence_limit_;
  std::map<MeterId, MonoTime> silent_since_;
};

}  // namespace nightwatt::daemon
