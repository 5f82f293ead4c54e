#include "curve.hpp"

#include <algorithm>

namespace nightwatt::daemon::page {

void Curve::add(const LivePoint& point) {
  const std::int64_t step = live_period.count();
  const UtcTime begin{point.at.us - (point.at.us % step + step) % step};
  while (!bins_.empty() && bins_.back().begin > begin) bins_.pop_back();
  if (bins_.empty() || bins_.back().begin < begin) {
    bins_.push_back({begin, 1, point.power_w, point.power_w, point.power_w});
  } else {
    CurveBin& bin = bins_.back();
    ++bin.count;
    bin.sum_w += point.power_w;
    bin.lowest_w = std::min(bin.lowest_w, point.power_w);
    bin.highest_w = std::max(bin.highest_w, point.power_w);
  }
  first_changed_ = std::min(first_changed_, bins_.size() - 1);
  if (bins_.size() <= curve_bins) return;
  bins_.pop_front();
  if (first_changed_ > 0) --first_changed_;
}

}  // namespace nightwatt::daemon::page
