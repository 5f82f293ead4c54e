#include "measure/signal/invariant.hpp"

#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <catch2/catch.hpp>
#include <csignal>
#include <string>

namespace nightwatt {

TEST_CASE("a state that cannot be ends the program, saying what and where") {
  invariant(true, "never said");
  std::array<int, 2> ends{};
  REQUIRE(pipe(ends.data()) == 0);
  const pid_t child = fork();
  REQUIRE(child >= 0);
  if (child == 0) {
    dup2(ends[1], STDERR_FILENO);
    std::signal(SIGABRT, SIG_DFL);
    invariant(false, "two and two are five");
    _exit(0);
  }
  close(ends[1]);
  std::string said;
  std::array<char, 512> piece{};
  for (ssize_t length = 0; (length = read(ends[0], piece.data(), piece.size())) > 0;)
    said.append(piece.data(), static_cast<std::size_t>(length));
  close(ends[0]);
  int status = 0;
  REQUIRE(waitpid(child, &status, 0) == child);
  CHECK((WIFSIGNALED(status) && WTERMSIG(status) == SIGABRT));
  CHECK(said.find("two and two are five") != std::string::npos);
  CHECK(said.find("invariant_test.cpp") != std::string::npos);
}

}  // namespace nightwatt
