// Memory that is not there: the n-th allocation by SQLite, or by the service itself, fails.
#pragma once

#include <cstdint>

namespace nightwatt::world {

/// From now on the `n`th allocation by SQLite fails, once, and the `more` after it; 0: none.
void fail_allocations(std::uint64_t n, std::uint64_t more);
/// By SQLite, since the program began.
[[nodiscard]] std::uint64_t allocations();

/// The same for `operator new`, of which those count that are made while it is the service's turn.
void fail_new(std::uint64_t n, std::uint64_t more);
[[nodiscard]] std::uint64_t news();

/// While it lives, what runs is the service (or, within that, again the world). One thread.
class Turn {
 public:
  enum class Whose : bool { world, service };
  explicit Turn(Whose whose);
  ~Turn();
  Turn(const Turn&) = delete;
  Turn& operator=(const Turn&) = delete;

 private:
  Whose before_;
};

}  // namespace nightwatt::world
