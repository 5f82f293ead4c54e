#include "daemon/silence_watch.hpp"

#include <algorithm>

namespace nightwatt::daemon {

std::optional<SilenceWatch::News> SilenceWatch::look(MeterId meter, MonoTime heard, MonoTime now) {
  const auto known = silent_since_.find(meter);
  if (known == silent_since_.end()) {
    if (now - heard < silence_limit_) return std::nullopt;
    silent_since_.emplace(meter, heard);
    return News{true, now - heard};
  }
  if (heard <= known->second) return std::nullopt;
  const Duration lasted = heard - known->second;
  silent_since_.erase(known);
  return News{false, lasted};
}

void SilenceWatch::keep_only(const std::vector<MeterId>& meters) {
  std::erase_if(silent_since_, [&](const auto& entry) {
    return std::find(meters.begin(), meters.end(), entry.first) == meters.end();
  });
}

}  // namespace nightwatt::daemon
