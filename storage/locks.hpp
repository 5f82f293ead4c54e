// The lock file beside a store: who works on it, and which imports are under way.
#pragma once

#include <cstdint>
#include <string>

#include "measure/signal/result.hpp"
#include "storage/store.hpp"

namespace nightwatt::storage {

/// The lock file beside a store, made where missing. Byte 0 is the service's, byte 1 + stream an import's.
/// `trouble`, if it failed: what kind of failure it was.
[[nodiscard]] Result<int> open_lock_file(const std::string& store_path, StoreTrouble* trouble = nullptr);
/// A service works on the store by this name.
[[nodiscard]] bool service_has(const std::string& store_path);
enum class LockState : std::uint8_t { taken, held_by_other, failed };
[[nodiscard]] LockState lock_byte(int descriptor, std::int64_t place);
void unlock_byte(int descriptor, std::int64_t place);

}  // namespace nightwatt::storage
