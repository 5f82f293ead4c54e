#include "measure/signal/invariant.hpp"

#include <cstdio>
#include <cstdlib>
#include <string>

namespace nightwatt {

// The one place where a library speaks for itself: nobody is left who could tell the result.
void stop_at_bug(const char* what, const char* file, int line) {
  const std::string text =
      "a bug of the program: not so: " + std::string(what) + " (" + file + ":" + std::to_string(line) + ")\n";
  std::fputs(text.c_str(), stderr);
  std::abort();
}

}  // namespace nightwatt
