// What must be so unless there is a bug of our own.
#pragma once

#include <source_location>

namespace nightwatt {

/// Says on standard error what does not hold and where, and ends the program: the service is started anew from what is
/// stored, which is better than going on to store what a broken state makes.
[[noreturn]] void stop_at_bug(const char* what, const std::source_location& where);

/// A structure of ours that cannot be so. Never for what comes from outside (a meter, a file, a user), nor for numbers
/// made of it: a store with such readings would stop every start, so that is an error to be told. Compiled in always.
inline void invariant(bool holds, const char* what,
                      const std::source_location& where = std::source_location::current()) {
  if (!holds) [[unlikely]]
    stop_at_bug(what, where);
}

}  // namespace nightwatt
