// A picture as PNG, for places that take no SVG.
#pragma once

#include <string>

#include "measure/signal/result.hpp"

namespace nightwatt::report {

/// An SVG document and its size in its own pixels.
struct Picture {
  std::string svg;
  double width = 0.0, height = 0.0;
};

/// Drawn by Debian's librsvg, which is loaded when it is first wanted. ErrorKind::unusable where it is not there.
[[nodiscard]] Result<std::string> png_of(const Picture& picture, double scale);

}  // namespace nightwatt::report
