// Columns of whole numbers as few bytes as their pattern allows, and general-purpose compression of byte strings.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "bytes.hpp"

namespace nightwatt::storage {

/// How hard to compress; the bytes are read back the same way whatever it was.
struct Compression {
  int zstd_level = 3;
};

/// Appends a column. The count is not written: whoever decodes knows it.
void pack_column(std::string& out, std::span<const std::int64_t> values, Compression compression);
/// Takes a column of `count` numbers from the front; marks `in` bad if the bytes are not one.
[[nodiscard]] std::vector<std::int64_t> unpack_column(ByteReader& in, std::size_t count);

/// A byte string, compressed where that makes it shorter.
[[nodiscard]] std::string compress(std::string_view bytes, Compression compression);
/// Undoes compress(); marks `in` bad if it is not one or would be longer than `limit`.
[[nodiscard]] std::string decompress(ByteReader& in, std::size_t limit);

}  // namespace nightwatt::storage
