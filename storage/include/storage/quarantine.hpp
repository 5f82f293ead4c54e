// Putting a damaged store out of the way, so that recording goes on in a new one at its path.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/result.hpp"

namespace nightwatt::storage {

/// Whether the file at `path` is, or was before its beginning was damaged, a store: nothing else is ever moved.
[[nodiscard]] bool was_a_store(const std::string& path);

/// Renames the store and its log to `PATH.damaged-WHEN` and gives that name. Nobody may have it open.
[[nodiscard]] Result<std::string> quarantine_store(const std::string& path, std::string_view when);

/// Those that lie beside the store at `path`, oldest first.
[[nodiscard]] std::vector<std::string> quarantined_stores(const std::string& path);

}  // namespace nightwatt::storage
