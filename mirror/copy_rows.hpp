// Readings as rows of COPY's binary form (PostgreSQL's documentation, COPY, "Binary Format"): a time, then the meter's
// own digits of each quantity that some reading has.
#pragma once

#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/reading.hpp"

namespace nightwatt::mirror {

/// The rows of one COPY; columns that no reading has are not sent, which are most of them.
class CopyRows {
 public:
  /// Looks at all that will be added.
  explicit CopyRows(std::span<const Reading> readings);

  [[nodiscard]] std::string columns() const;  ///< `at, power_w, ...`
  [[nodiscard]] static std::string_view header();
  void add(const Reading& reading, std::string& out) const;
  [[nodiscard]] static std::string_view trailer();

 private:
  std::vector<Quantity> present_;
};

}  // namespace nightwatt::mirror
