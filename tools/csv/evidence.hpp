// What the first rows of a file say of how its times and numbers are written.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "measure/signal/result.hpp"
#include "number_form.hpp"
#include "time_form.hpp"

namespace nightwatt::csv {

/// Times as they may be read, each way followed until it fails.
class TimeEvidence {
 public:
  /// With `said`, that form and no other. `us_per_unit`: what the column's name says of a number's unit.
  TimeEvidence(std::optional<TimeForm> said, std::optional<double> us_per_unit, bool named_date);

  /// False: no way to read it is left; what was known before still stands.
  bool add(std::string_view cell);
  /// More rows will not tell more.
  [[nodiscard]] bool decided() const;
  struct Found {
    TimeForm form;
    bool backwards = false;
    bool is_shown = false;
    bool looks_unix = false;
    std::int64_t usual_step_us = 0;
    bool names_month = false;
  };
  /// Error message without a place: two ways, and the option that decides.
  [[nodiscard]] tl::expected<Found, std::string> found() const;
  /// Whether the last cell had the time of the one before, whichever way.
  [[nodiscard]] bool same_as_before() const { return same_; }

 private:
  struct Way {
    TimeForm form;
    bool alive = true;
    bool is_shown = false;
    std::int64_t first_us = 0, last_us = 0, largest_step_us = 0;
    std::uint64_t count = 0, up = 0, down = 0;
    std::vector<std::int64_t> steps;
  };
  void begin(std::string_view cell);
  [[nodiscard]] static bool follow(Way& way, std::string_view cell);
  [[nodiscard]] std::vector<const Way*> alive() const;
  [[nodiscard]] tl::expected<const Way*, std::string> chosen() const;
  [[nodiscard]] std::string both(const Way& one, const Way& other) const;

  std::optional<double> us_per_unit_;
  bool named_date_ = false;
  std::vector<Way> ways_;
  bool begun_ = false;
  bool same_ = false;
  bool names_month_ = false;  ///< by a word, so that its place does not matter
  std::string first_, last_;
  std::size_t most_decimals_ = 0;
  bool whole_numbers_ = true;
};

/// Signs in numbers, of one column or several.
class NumberEvidence {
 public:
  void add(std::string_view cell);
  [[nodiscard]] std::uint64_t of(NumberLook look) const { return counts_[static_cast<std::size_t>(look)]; }
  [[nodiscard]] const std::string& either() const { return either_; }  ///< the first 1,234
  [[nodiscard]] bool says_unit() const { return says_unit_; }

 private:
  std::array<std::uint64_t, 8> counts_{};
  std::string either_;
  bool says_unit_ = false;
};
/// The form of the power's column from its own numbers, and from those beside it where these leave it open. Error
/// message without a place.
[[nodiscard]] tl::expected<NumberForm, std::string> number_form_of(const NumberEvidence& power,
                                                                   const NumberEvidence& others,
                                                                   std::optional<char> said);

}  // namespace nightwatt::csv
