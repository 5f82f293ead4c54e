// The segmenter's own record of one stretch. Only measure/ looks inside.
#pragma once

#include "measure/time.hpp"

namespace nightwatt {

class Stretch {
 public:
  UtcTime begin;
  UtcTime end;
};

}  // namespace nightwatt
