// The store's tables, and opening a file as a store.
#pragma once

#include <memory>
#include <string>

#include "database.hpp"
#include "measure/signal/result.hpp"

namespace nightwatt::storage {

inline constexpr int application_id = 0x4E574154;  // "NWAT"
inline constexpr int schema_version = 8;
/// From this version on the figures of a run have a checksum beside them.
inline constexpr int first_version_with_figure_crc = 2;
/// And from this one on their sketches lie apart, and so has each row of the tail.
inline constexpr int first_version_with_sketches = 3;
inline constexpr int first_version_with_write_buffer_crc = 3;
/// And from this one on a row that a figure hangs on carries its seal, and a block says which one is before it.
inline constexpr int first_version_with_seals = 4;

/// Chains the blocks and their sums, and puts seals on every row as it is now. Within a transaction.
void seal_all_rows(Database& database);

/// A connection that cannot change the file; never creates it.
[[nodiscard]] Result<std::unique_ptr<Database>> open_for_reading(const std::string& path);
/// Creates the file (0640), empty, where it is missing; refuses what is no regular file, or may not be written.
[[nodiscard]] Result<void> make_store_file(const std::string& path, StoreTrouble& trouble);
/// Creates the file (0640) where it is missing and brings an older version up to date.
/// `trouble`: what kind of failure it was.
[[nodiscard]] Result<std::unique_ptr<Database>> open_for_writing(const std::string& path, StoreTrouble& trouble);

}  // namespace nightwatt::storage
