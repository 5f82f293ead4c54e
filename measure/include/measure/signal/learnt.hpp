// What is learnt of a meter from its whole stream, and kept beside a run's stretches.
#pragma once

namespace nightwatt {

struct Learnt {
  double step_w = 0.0;  ///< display step; from the traits or learnt; 0 while unknown
  double median_interval_s = 0.0;
};

}  // namespace nightwatt
