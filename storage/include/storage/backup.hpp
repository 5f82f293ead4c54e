// A verified copy of a store, also while a service records into it.
#pragma once

#include <string>

#include "measure/signal/result.hpp"
#include "storage/store.hpp"

namespace nightwatt::storage {

/// Copies the store as it is at one moment to `copy`, which must not exist, and proves the copy as check() does. What
/// does not prove sound is not left there: the error says why, of kind negative. Rows that were set aside are no
/// hindrance. Nobody who writes has to wait.
[[nodiscard]] Result<StoreCheck> back_up(const std::string& store, const std::string& copy, const RunProof& prove);

}  // namespace nightwatt::storage
