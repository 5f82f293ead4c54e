// What may be changed of a run afterwards, beside its name and its span.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "storage/store.hpp"

namespace nightwatt::storage {

/// What a person says of a run beside its figures.
struct RunWords {
  std::string note;
  std::vector<std::string> includes;
  std::vector<std::pair<std::string, std::string>> conditions;
};

/// Under this key a run's words hold what a display showed in standby. Keys that begin with a point are the program's
/// own: they are no conditions, and stay when words are set.
inline constexpr std::string_view entered_standby_key = ".standby_w";

// All but the first must run between begin() and commit().
/// Of a row entered by hand: what the display showed in standby.
[[nodiscard]] Result<std::optional<double>> entered_standby_w(const StoreReader& store, RunId id);
[[nodiscard]] Result<void> put_entered_standby(StoreWriter& store, RunId id, double watts);
/// In place of the words it had. ErrorKind::negative: no such run.
[[nodiscard]] Result<void> set_words(StoreWriter& store, RunId id, const RunWords& words);
/// The half of a join that both closed and open runs need: `first` gets the span up to `end` (none: open), the marks of
/// `second`, and of its name and words what it has none of itself; `second` goes. The figures of both go too, to be
/// made anew.
[[nodiscard]] Result<void> take_into(StoreWriter& store, const RunInfo& first, RunId second,
                                     std::optional<UtcTime> end);
[[nodiscard]] Result<void> remove_mark(StoreWriter& store, std::int64_t id);

}  // namespace nightwatt::storage
