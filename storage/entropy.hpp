// Whole numbers in as few bits as their frequencies allow: range asymmetric numeral systems (J. Duda, "Asymmetric
// numeral systems", arXiv 1311.2540), each number in the context of how large the one before it was.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "bytes.hpp"

namespace nightwatt::storage {

/// How often each token comes, by context; says what the numbers would take before they are written.
class Frequencies {
 public:
  explicit Frequencies(std::span<const std::uint64_t> numbers);
  [[nodiscard]] double bytes() const { return bytes_; }
  /// Appends the numbers that this was made of.
  void put(std::string& out, std::span<const std::uint64_t> numbers) const;

 private:
  using Counts = std::vector<std::uint32_t>;
  std::vector<Counts> counts_;  ///< one a context, or one for all
  double bytes_ = 0.0;
};

/// Takes so many numbers from the front; marks `in` bad if the bytes are not such.
[[nodiscard]] std::vector<std::uint64_t> take_coded(ByteReader& in, std::size_t count);

}  // namespace nightwatt::storage
