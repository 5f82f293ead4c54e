// The forms of a text line: where in it the wanted values stand. Framing only; numbers are read elsewhere.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "drivers/text/settings.hpp"
#include "measure/signal/meter_profile.hpp"
#include "text/habit.hpp"

namespace nightwatt::drivers::text {

/// Columns of a csv line that can be asked for; a line may have more.
inline constexpr std::size_t column_limit = 64;

/// What a form found in a line, a place for each read of the profile, in its order.
struct Found {
  enum class Kind : std::uint8_t {
    data,     ///< every wanted value has its text
    words,    ///< banner, header, another message: to be skipped
    damaged,  ///< should have been data
  };
  Kind kind = Kind::words;
  std::array<std::string_view, quantity_count> texts{};
  bool decimal_comma = false;  ///< a comma may be a decimal point here
  bool new_layout = false;     ///< three lines running have another layout than the good ones before
  std::uint64_t layout = 0;    ///< of key-value and json: a hash of the names in the line, in their order
  std::string problem;         ///< of a damaged line

  [[nodiscard]] static Found damage(std::string what) {
    Found found;
    found.kind = Kind::damaged;
    found.problem = std::move(what);
    return found;
  }
};

/// Fixed columns. The separator is that of the line: `;`, else tab, else `,`, else blanks; where it is `;` or tab, a
/// comma is a decimal point. Separator and number of columns of good lines bind the next ones, because a line that lost
/// a separator has other values in its columns; three lines running that agree on something else are believed.
class CsvForm {
 public:
  /// `bound`: whether the layout must be held; a line with a good check needs no such proof.
  CsvForm(const std::vector<ReadSpec>& reads, bool bound);
  [[nodiscard]] Found find(std::string_view line);
  /// The line last found gave a reading: its layout binds.
  void settle() { layout_ = now_; }
  void forget();

 private:
  struct Layout {
    char separator = '\0';
    std::size_t columns = 0;
    friend bool operator==(const Layout&, const Layout&) = default;
  };
  Layout split(std::string_view line, char separator);
  [[nodiscard]] bool is_data(std::size_t columns, bool decimal_comma) const;
  [[nodiscard]] bool believed(const Layout& layout);

  std::array<std::size_t, quantity_count> columns_{};  ///< wanted, from 0
  std::size_t reads_ = 0;
  std::size_t last_wanted_ = 0;
  bool bound_;
  Layout layout_;  ///< of the good lines; no columns: none yet
  Layout now_;     ///< of the line in hand
  Layout other_;   ///< of lines that did not fit
  int other_running_ = 0;
  std::array<std::string_view, column_limit> fields_{};  ///< of the line in hand
};

/// `key=value` or `key:value`, separated by blanks, `,` or `;`.
class KeyValueForm {
 public:
  explicit KeyValueForm(const std::vector<ReadSpec>& reads);
  [[nodiscard]] Found find(std::string_view line);
  void settle() {}
  void forget() { first_key_.clear(); }

 private:
  std::vector<std::string> keys_;
  std::string first_key_;  ///< what good lines begin with
};

/// One JSON object a line. The wanted keys stand in the object itself, or in objects within: `meter.power` is the key
/// "power" in the object "meter".
class JsonForm {
 public:
  explicit JsonForm(const std::vector<ReadSpec>& reads);
  [[nodiscard]] Found find(std::string_view line) const;
  void settle() {}

 private:
  struct Search;
  [[nodiscard]] bool search_object(Search& search, const std::string& way, int depth) const;

  std::vector<std::string> keys_;
};

/// How many of the wanted values a line has, told apart as every form does: all is data, none is words, some is damage.
[[nodiscard]] Found::Kind kind_for(std::size_t found, std::size_t wanted);

}  // namespace nightwatt::drivers::text
