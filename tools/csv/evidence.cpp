#include "evidence.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "measure/signal/time_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::csv {
namespace {

/// Steps kept of each way: their median is known well enough, and memory stays small.
constexpr std::size_t steps_kept = 5'000;
constexpr std::int64_t day_us = 86'400'000'000;
/// Who takes the day for the month sees midnight as a step of a month, 28 days at least; nobody leaves such holes in a
/// record that the other way reads without.
constexpr std::int64_t month_us = 27 * day_us;
constexpr std::int64_t ordinary_us = 2 * day_us;
/// Numbers of days of a spreadsheet: 1954 to 2119. Seconds since a record began may be as many.
constexpr double first_serial = 20'000.0;
constexpr double last_serial = 80'000.0;
/// A meter that gives a reading more often is no meter of ours: such steps are days taken for seconds.
constexpr std::int64_t shortest_step_us = 1'000;

std::int64_t median(std::vector<std::int64_t> steps) {
  if (steps.empty()) return 0;
  const auto middle = steps.begin() + static_cast<std::ptrdiff_t>(steps.size() / 2);
  std::nth_element(steps.begin(), middle, steps.end());
  return *middle;
}

std::size_t decimals_of(std::string_view cell) {
  const std::size_t point = cell.find_first_of(".,");
  return point == std::string_view::npos ? 0 : cell.size() - point - 1;
}

bool holds_month(std::string_view cell) {
  constexpr std::array<std::string_view, 12> months = {"jan", "feb", "mar", "apr", "may", "jun",
                                                       "jul", "aug", "sep", "oct", "nov", "dec"};
  std::string letters(cell);
  for (char& c : letters) c = static_cast<char>(c | 0x20);
  return std::any_of(months.begin(), months.end(),
                     [&](std::string_view month) { return letters.find(month) != std::string::npos; });
}

}  // namespace

TimeEvidence::TimeEvidence(std::optional<TimeForm> said, std::optional<double> us_per_unit, bool named_date)
    : us_per_unit_(us_per_unit), named_date_(named_date) {
  if (!said) return;
  Way way;
  way.form = *said;
  ways_.push_back(std::move(way));
}

void TimeEvidence::begin(std::string_view cell) {
  begun_ = true;
  first_ = cell;
  constexpr std::size_t month_letters = 3;
  std::size_t letters = 0;
  for (const char c : cell) {
    letters = (c | 0x20) >= 'a' && (c | 0x20) <= 'z' ? letters + 1 : 0;
    names_month_ = names_month_ || letters == month_letters;
  }
  if (!ways_.empty()) return;
  const auto add_way = [&](TimeForm form) {
    Way way;
    way.form = form;
    ways_.push_back(std::move(way));
  };
  const auto number = time_number(cell);
  // 20260105210000 and 202601052100. As milliseconds the latter lie before 2002, when no meter that writes files was
  // read.
  const bool together = (cell.size() == 14 || cell.size() == 12) &&
                        (cell.substr(0, 2) == "19" || cell.substr(0, 2) == "20") &&
                        read_civil(cell, DateOrder::year_first);
  if (!number || together) {
    add_way({TimeKind::civil, DateOrder::year_first, 1e6});
    add_way({TimeKind::civil, DateOrder::day_first, 1e6});
    add_way({TimeKind::civil, DateOrder::month_first, 1e6});
    return;
  }
  // By their size: seconds since 1970 have had 9 digits since 1973 and have 10; the rest follows.
  double us = 1e6;
  if (*number >= 1e17)
    us = 1e-3;
  else if (*number >= 1e14)
    us = 1.0;
  else if (*number >= 1e11)
    us = 1e3;
  else if (us_per_unit_)
    us = *us_per_unit_;
  add_way({TimeKind::number, DateOrder::year_first, us});
  if (!us_per_unit_ && *number >= first_serial && *number < last_serial)
    add_way({TimeKind::serial_1900, DateOrder::year_first, 1e6});
}

bool TimeEvidence::follow(Way& way, std::string_view cell) {
  const auto time = read_time(cell, way.form);
  if (!time) return false;
  if (way.count++ == 0) {
    way.first_us = time->us;
    way.is_shown = time->is_shown;
  } else {
    const std::int64_t step = time->us - way.last_us;
    if (step > 0) ++way.up;
    if (step < 0) ++way.down;
    const std::int64_t size = step < 0 ? -step : step;
    way.largest_step_us = std::max(way.largest_step_us, size);
    if (size > 0 && way.steps.size() < steps_kept) way.steps.push_back(size);
  }
  way.last_us = time->us;
  return true;
}

bool TimeEvidence::add(std::string_view cell) {
  if (!begun_) begin(cell);
  same_ = !last_.empty() && cell == last_;
  last_ = cell;
  most_decimals_ = std::max(most_decimals_, decimals_of(cell));
  whole_numbers_ = whole_numbers_ && decimals_of(cell) == 0;
  std::vector<std::size_t> failed;
  for (std::size_t i = 0; i < ways_.size(); ++i)
    if (ways_[i].alive && !follow(ways_[i], cell)) failed.push_back(i);
  const auto living = std::count_if(ways_.begin(), ways_.end(), [](const Way& way) { return way.alive; });
  if (static_cast<std::ptrdiff_t>(failed.size()) == living) return false;
  for (const std::size_t i : failed) ways_[i].alive = false;
  return true;
}

std::vector<const TimeEvidence::Way*> TimeEvidence::alive() const {
  std::vector<const Way*> left;
  for (const Way& way : ways_) {
    // With the month's name, or the same day and month throughout, two ways are one.
    const bool same = std::any_of(left.begin(), left.end(), [&](const Way* other) {
      return other->form.kind == way.form.kind && other->first_us == way.first_us && other->last_us == way.last_us &&
             other->largest_step_us == way.largest_step_us;
    });
    if (way.alive && !(same && way.count > 0)) left.push_back(&way);
  }
  return left;
}

tl::expected<const TimeEvidence::Way*, std::string> TimeEvidence::chosen() const {
  auto left = alive();
  if (left.size() < 2 || left.front()->count == 0) return left.empty() ? &ways_.front() : left.front();
  if (left[1]->form.kind == TimeKind::serial_1900) {
    const std::int64_t as_seconds = median(left[0]->steps);
    if (most_decimals_ > 6) return left[1];
    if (whole_numbers_ && !named_date_) return left[0];
    if (!whole_numbers_ && left[0]->up + left[0]->down > 0 && as_seconds < shortest_step_us) return left[1];
    if (!whole_numbers_ && median(left[1]->steps) > ordinary_us) return left[0];
    return tl::unexpected(both(*left[0], *left[1]));
  }
  // Where one way makes a month of a midnight and another does not, that one is right.
  std::vector<const Way*> ordinary;
  for (const Way* way : left)
    if (way->largest_step_us < ordinary_us) ordinary.push_back(way);
  const bool others_jump = std::all_of(left.begin(), left.end(), [](const Way* way) {
    return way->largest_step_us < ordinary_us || way->largest_step_us >= month_us;
  });
  if (ordinary.size() == 1 && others_jump) return ordinary.front();
  return tl::unexpected(both(*left[0], *left[1]));
}

std::string TimeEvidence::both(const Way& one, const Way& other) const {
  const auto word = [](const TimeForm& form) -> std::string {
    if (form.kind == TimeKind::serial_1900) return "serial";
    if (form.kind == TimeKind::number) return "unix";
    if (form.order == DateOrder::day_first) return "dmy";
    return form.order == DateOrder::month_first ? "mdy" : "ymd";
  };
  const auto shown = [](const Way& way) {
    return time_form_text(way.form) + ", " + utc_text(UtcTime{way.first_us}).substr(0, 10);
  };
  return "the time " + text::quoted(first_) + " can be read in two ways (" + shown(one) + "; or " + shown(other) +
         "); say which: --date-format " + word(one.form) + " or --date-format " + word(other.form);
}

bool TimeEvidence::decided() const {
  const auto left = alive();
  if (left.empty() || left.front()->up + left.front()->down == 0) return false;
  // On the first of the first, day and month are the same number; a later row may say which is which.
  const auto living = std::count_if(ways_.begin(), ways_.end(), [](const Way& way) { return way.alive; });
  if (left.size() == 1 && living > 1 && !names_month_) return false;
  return chosen().has_value();
}

tl::expected<TimeEvidence::Found, std::string> TimeEvidence::found() const {
  if (ways_.empty()) return Found{};
  const auto way = chosen();
  if (!way) return tl::unexpected(way.error());
  constexpr std::int64_t unix_us = 100'000'000'000'000;  // 1973; no record lasts so long
  return Found{(*way)->form,          (*way)->up == 0 && (*way)->down > 0,
               (*way)->is_shown,      (*way)->first_us >= unix_us,
               median((*way)->steps), holds_month(first_)};
}

void NumberEvidence::add(std::string_view cell) {
  if (says_nothing(cell)) return;
  if (const std::string_view unit = unit_behind(cell); !unit.empty() && watts_per(unit)) {
    says_unit_ = true;
    cell.remove_suffix(unit.size());
    while (!cell.empty() && cell.back() == ' ') cell.remove_suffix(1);
  }
  NumberLook look = look_of(cell);
  if (look == NumberLook::none) look = look_of(plain_signs(cell));
  if (look == NumberLook::either && either_.empty()) either_ = cell;
  ++counts_[static_cast<std::size_t>(look)];
}

tl::expected<NumberForm, std::string> number_form_of(const NumberEvidence& power, const NumberEvidence& others,
                                                     std::optional<char> said) {
  using Look = NumberLook;
  NumberForm form;
  form.says_unit = power.says_unit();
  const auto as = [&](char decimal, bool grouped) {
    form.decimal = decimal;
    form.grouped = grouped;
    return form;
  };
  if (said) return as(*said, true);
  const auto comma = [](const NumberEvidence& of) { return of.of(Look::comma) + of.of(Look::other_group) > 0; };
  const auto point = [](const NumberEvidence& of) { return of.of(Look::point) + of.of(Look::grouped) > 0; };
  if (comma(power)) return as(',', power.of(Look::other_group) + power.of(Look::point_either) > 0);
  if (point(power)) return as('.', power.of(Look::grouped) + power.of(Look::either) > 0);
  if (power.of(Look::either) > 0) {
    if (comma(others) && power.of(Look::point_either) == 0) return as(',', false);
    if (point(others) && power.of(Look::point_either) == 0) return as('.', true);
    std::string whole = power.either();
    std::string part = whole;
    whole.erase(std::remove(whole.begin(), whole.end(), ','), whole.end());
    std::replace(part.begin(), part.end(), ',', '.');
    return tl::unexpected("the power " + text::quoted(power.either()) + " can be read in two ways (" + part +
                          " with a decimal comma; or " + whole +
                          " with a comma between thousands); say which: --decimal , or --decimal .");
  }
  if (comma(others)) return as(',', power.of(Look::point_either) > 0);
  return as('.', false);
}

}  // namespace nightwatt::csv
