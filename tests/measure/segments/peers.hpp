// Series with known truth and what independent programs say of them (tests/data/peers), and published data.
#pragma once

#include <cstdlib>
#include <fstream>
#include <sstream>
#include <string>
#include <utility>
#include <vector>

namespace nightwatt::peers {

struct Series {
  std::vector<double> time_s;
  std::vector<double> power_w;
};

inline Series series(const std::string& name) {
  Series s;
  std::ifstream file(std::string(NIGHTWATT_TEST_DATA) + "/peers/" + name);
  for (std::string line; std::getline(file, line);) {
    if (line.empty() || line[0] < '0' || line[0] > '9') continue;
    char* comma = nullptr;
    s.time_s.push_back(std::strtod(line.c_str(), &comma));
    s.power_w.push_back(std::strtod(comma + 1, nullptr));
  }
  return s;
}

/// The numbers behind `name` in answers.txt, which make_peers.R wrote.
inline std::vector<double> answer(const std::string& name) {
  std::ifstream file(std::string(NIGHTWATT_TEST_DATA) + "/peers/answers.txt");
  for (std::string line; std::getline(file, line);) {
    std::istringstream words(line);
    std::string first;
    words >> first;
    if (first != name) continue;
    std::vector<double> numbers;
    for (double x = 0.0; words >> x;) numbers.push_back(x);
    return numbers;
  }
  return {};
}

/// NIST StRD Norris, x and y in rising order of x; from memory, and it meets the certified values to ten digits.
inline const std::vector<std::pair<double, double>>& norris() {
  static const std::vector<std::pair<double, double>> data = {
      {0.2, 0.1},     {0.3, 0.3},     {0.3, 0.6},     {0.4, 0.3},     {0.5, 0.2},     {0.6, 0.1},
      {10.1, 9.2},    {11.1, 10.2},   {11.6, 10.8},   {118.2, 118.1}, {118.3, 117.6}, {120.2, 119.6},
      {226.5, 228.1}, {228.1, 228.3}, {229.2, 228.9}, {337.4, 338.8}, {338.0, 339.3}, {339.1, 339.3},
      {447.5, 448.9}, {448.6, 449.1}, {448.9, 449.2}, {556.0, 557.7}, {556.8, 557.6}, {558.2, 559.2},
      {666.3, 668.5}, {666.9, 668.8}, {669.1, 668.4}, {775.5, 778.1}, {777.0, 778.9}, {779.0, 778.9},
      {884.6, 888.0}, {887.2, 888.0}, {887.6, 888.8}, {995.8, 998.0}, {996.3, 998.5}, {999.0, 998.5}};
  return data;
}

}  // namespace nightwatt::peers
