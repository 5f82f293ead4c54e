// nightwatt-changes: the segmenter's change-point engine alone, with its one fixed default. Reads one number a line on
// standard input, equally spaced; prints the 0-based index of the first number of each new segment, one a line.
#include <charconv>
#include <cmath>
#include <iostream>
#include <string>

#include "measure/segment/change_points.hpp"

int main() {
  nightwatt::ChangePoints engine;
  std::string line;
  for (long number = 1; std::getline(std::cin, line); ++number) {
    const std::size_t from = line.find_first_not_of(" \t\r");
    if (from == std::string::npos) continue;
    const std::size_t to = line.find_last_not_of(" \t\r") + 1;
    const std::size_t sign = line[from] == '+' ? 1 : 0;
    double value = 0.0;
    const auto [end, error] = std::from_chars(line.data() + from + sign, line.data() + to, value);
    if (error != std::errc() || end != line.data() + to || !std::isfinite(value)) {
      std::cerr << "nightwatt-changes: standard input:" << number << ": not a number; give one finite number a line\n";
      return 2;
    }
    engine.push(value);
    for (const std::int64_t change : engine.take_final()) std::cout << change << '\n';
  }
  engine.finish();
  for (const std::int64_t change : engine.take_final()) std::cout << change << '\n';
  return std::cout.flush() ? 0 : 3;
}
