// What must be so unless there is a bug of our own.
#pragma once

namespace nightwatt {

/// Says on standard error what does not hold and where, and ends the program: the service is started anew from what is
/// stored, which is better than going on to store what a broken state makes.
[[noreturn]] void stop_at_bug(const char* what, const char* file, int line);

/// A structure of ours that cannot be so. Never for what comes from outside (a meter, a file, a user), nor for numbers
/// made of it: a store with such readings would stop every start, so that is an error to be told. Compiled in always.
/// Leave `file` and `line` alone: std::source_location, which clang 14 lacks, would fill them in the same way.
inline void invariant(bool holds, const char* what, const char* file = __builtin_FILE(), int line = __builtin_LINE()) {
  if (!holds) [[unlikely]]
    stop_at_bug(what, file, line);
}

}  // namespace nightwatt
