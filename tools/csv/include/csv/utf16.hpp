// UTF-16 as spreadsheets write it into UTF-8; anything else stays as it is.
#pragma once

#include <string>
#include <string_view>

namespace nightwatt::csv {

/// Fed the bytes of a file in pieces. A file that does not begin with UTF-16's byte order mark is handed on unchanged.
class Utf16 {
 public:
  [[nodiscard]] static bool begins(std::string_view bytes) {
    return bytes.substr(0, 2) == "\xFF\xFE" || bytes.substr(0, 2) == "\xFE\xFF";
  }
  /// Good until the next call.
  [[nodiscard]] std::string_view feed(std::string_view bytes);
  [[nodiscard]] std::string_view finish();

 private:
  void take_unit(unsigned unit);
  void append(char32_t code_point);

  enum class State { unknown, other, little, big };
  State state_ = State::unknown;
  std::string pending_;  ///< bytes that are not a whole unit yet
  char32_t high_ = 0;    ///< the first half of a pair
  std::string out_;
};

}  // namespace nightwatt::csv
