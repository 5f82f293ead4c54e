// What a function that can fail for reasons outside our code gives back.
#pragma once

#include <string>
#include <tl/expected.hpp>
#include <utility>

namespace nightwatt {

/// Why something could not be done. The values are the programs' exit statuses.
enum class ErrorKind {
  negative = 1,  ///< The answer is "no": no such run, nothing found, a check that failed.
  input = 2,     ///< Wrong use, or a file or value that cannot be accepted.
  unusable = 3,  ///< The store, the service or a port could not be used.
};

/// One failure. `message` is one line for a person: what is wrong, where, and what to do.
struct Error {
  ErrorKind kind = ErrorKind::input;
  std::string message;
};

template <class T>
using Result = tl::expected<T, Error>;

/// Shorthand for the failing side of a Result.
[[nodiscard]] inline tl::unexpected<Error> fail(ErrorKind kind, std::string message) {
  return tl::unexpected<Error>(Error{kind, std::move(message)});
}

}  // namespace nightwatt
