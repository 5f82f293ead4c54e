#include "sim_memory.hpp"

#include <sqlite3.h>

#include <cstdlib>
#include <new>
#include <utility>

namespace nightwatt::world {
namespace {

/// Counts, and says of which call that it fails.
struct Failing {
  std::uint64_t count = 0, from = 0, to = 0;
  bool next() {
    ++count;
    return count >= from && count < to;
  }
  void set(std::uint64_t n, std::uint64_t more) {
    from = n == 0 ? 0 : count + n;
    to = n == 0 ? 0 : from + 1 + more;
  }
};

sqlite3_mem_methods plain;
Failing of_sqlite, of_service;
Turn::Whose turn = Turn::Whose::world;

void* allocate(int size) {
  return of_sqlite.next() ? nullptr : plain.xMalloc(size);
}
void* reallocate(void* old, int size) {
  return of_sqlite.next() ? nullptr : plain.xRealloc(old, size);
}

// Before SQLite is used for the first time, or it does not take it.
const bool memory_installed = [] {
  sqlite3_config(SQLITE_CONFIG_GETMALLOC, &plain);
  sqlite3_mem_methods failing = plain;
  failing.xMalloc = allocate;
  failing.xRealloc = reallocate;
  return sqlite3_config(SQLITE_CONFIG_MALLOC, &failing) == SQLITE_OK;
}();

}  // namespace

void fail_allocations(std::uint64_t n, std::uint64_t more) {
  if (memory_installed) of_sqlite.set(n, more);
}

std::uint64_t allocations() {
  return of_sqlite.count;
}

void fail_new(std::uint64_t n, std::uint64_t more) {
  of_service.set(n, more);
}

std::uint64_t news() {
  return of_service.count;
}

Turn::Turn(Whose whose) : before_(std::exchange(turn, whose)) {}

Turn::~Turn() {
  turn = before_;
}

namespace {

void* new_memory(std::size_t size) {
  if (turn == Turn::Whose::service && of_service.next()) throw std::bad_alloc();
  void* memory = std::malloc(size == 0 ? 1 : size);
  if (memory == nullptr) throw std::bad_alloc();
  return memory;
}

}  // namespace
}  // namespace nightwatt::world

// For the whole program; those that say nothing and those of arrays come down to these in the standard library.
void* operator new(std::size_t size) {
  return nightwatt::world::new_memory(size);
}
void operator delete(void* memory) noexcept {
  std::free(memory);
}
void operator delete(void* memory, std::size_t) noexcept {
  std::free(memory);
}

// Of the address sanitizer the forms not replaced above do not come down to them, and end in free() all the same.
extern "C" const char* __asan_default_options();
extern "C" const char* __asan_default_options() {
  return "alloc_dealloc_mismatch=0";
}
