// Whole numbers in as few bits as their frequencies allow: range asymmetric numeral systems (J. Duda, "Asymmetric
// numeral systems", arXiv 1311.2540), each number in the context of how large the one before it was, or of what its
// reader knows.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <span>
#include <string>
#include <vector>

#include "bytes.hpp"

namespace nightwatt::storage {

/// The context of a number may be what its reader knows of it beforehand: one of so many.
inline constexpr std::size_t known_contexts = 4;

/// How often each token comes, by context; says what the numbers would take before they are written.
class Frequencies {
 public:
  /// `known`: of each number what its reader will know; none: only the number before it tells something.
  explicit Frequencies(std::span<const std::uint64_t> numbers, std::span<const std::uint8_t> known = {});
  [[nodiscard]] double bytes() const { return bytes_; }
  /// Appends the numbers that this was made of.
  void put(std::string& out, std::span<const std::uint64_t> numbers, std::span<const std::uint8_t> known = {}) const;

 private:
  using Counts = std::vector<std::uint32_t>;
  std::vector<Counts> counts_;  ///< one a context, or one for all
  double bytes_ = 0.0;
};

/// Takes coded numbers from the front, one after the other; marks the bytes bad where they are not such.
class CodeReader {
 public:
  CodeReader(ByteReader& in, std::size_t count);
  ~CodeReader();
  CodeReader(const CodeReader&) = delete;
  CodeReader& operator=(const CodeReader&) = delete;
  /// `known`: as it was put.
  [[nodiscard]] std::uint64_t next(std::size_t known);
  /// After the last of them.
  void must_be_done();

 private:
  class Impl;
  ByteReader& in_;
  std::unique_ptr<Impl> impl_;
};

/// Takes so many numbers of which nothing is known.
[[nodiscard]] std::vector<std::uint64_t> take_coded(ByteReader& in, std::size_t count);

}  // namespace nightwatt::storage
