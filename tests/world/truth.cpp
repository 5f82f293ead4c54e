#include "truth.hpp"

#include <sys/stat.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <iterator>
#include <span>
#include <utility>

#include "figures/run_recorder.hpp"
#include "figures/store_proof.hpp"
#include "storage/quarantine.hpp"

namespace nightwatt::world {
namespace {

/// A clock that is off by less than a second is not called a step; see RecordClock::step_limit.
constexpr std::int64_t step_limit_us = 1'100'000;

bool same_value(const Reading& reading, const Said& said) {
  const auto power = reading.values.get(Quantity::power);
  if (!power || !(*power == Decimal{said.milliwatts, -3})) return false;
  const auto energy = reading.values.get(Quantity::energy);
  return !energy || said.milliwatt_hours < 0 || *energy == Decimal{said.milliwatt_hours, -3};
}

std::string when(const Reading& reading) {
  const auto power = reading.values.get(Quantity::power);
  return std::to_string(reading.time.us) + " us, " + (power ? power->text() : std::string("no")) + " W";
}

bool near(double a, double b) {
  constexpr double relative = 1e-9;
  return std::abs(a - b) <= relative * std::max({1.0, std::abs(a), std::abs(b)});
}

/// The stored readings from `from` on as those that were said from `first` on, with one clock between them: for each
/// its place among the said; nothing where it does not work out.
std::optional<std::vector<std::size_t>> follow(const std::vector<Reading>& stored, std::size_t from,
                                               const SimMeter& meter, std::size_t first, std::int64_t utc_offset_us,
                                               std::size_t& stuck) {
  const std::vector<Said>& said = meter.said();
  /// Stamps are cut to a millisecond, ports are read up to a fifth of one late, and readings that come together are set
  /// a millisecond apart.
  constexpr std::int64_t tolerance_us = 5'000;
  std::vector<std::size_t> places;
  std::size_t next = first;
  for (std::size_t i = from; i < stored.size(); ++i) {
    const auto off = [&](std::size_t place) { return stored[i].time.us - said[place].mono_us - utc_offset_us; };
    const auto fits = [&](std::size_t place) {
      return off(place) <= tolerance_us + said[place].late_us && off(place) >= -tolerance_us &&
             same_value(stored[i], said[place]);
    };
    while (next < said.size() && off(next) >= -tolerance_us && !fits(next)) ++next;
    stuck = std::max(stuck, i);
    if (next >= said.size() || !fits(next)) return std::nullopt;
    places.push_back(next++);
  }
  return places;
}

Result<void> readings_of(const storage::StoreReader& store, storage::StreamId id, std::vector<Reading>& into) {
  return store.readings(id, UtcTime{INT64_MIN}, UtcTime{INT64_MAX}, [&](const Reading& reading) {
    into.push_back(reading);
    return true;
  });
}

/// The same under whatever name.
std::uint64_t file_number(const std::string& path) {
  struct stat there {};
  return ::stat(path.c_str(), &there) == 0 ? there.st_ino : 0;
}

std::string compare(const figures::RunFigures& kept, const figures::RunFigures& anew) {
  if (kept.totals.samples() != anew.totals.samples()) return "another count of readings";
  if (!near(kept.totals.energy_wh().value_or(-1.0), anew.totals.energy_wh().value_or(-1.0))) return "another energy";
  if (!near(kept.totals.gap_s(), anew.totals.gap_s())) return "other gaps";
  if (kept.segments.size() != anew.segments.size())
    return std::to_string(kept.segments.size()) + " segments, anew " + std::to_string(anew.segments.size());
  for (std::size_t i = 0; i < kept.segments.size(); ++i) {
    const Segment& a = kept.segments[i];
    const Segment& b = anew.segments[i];
    if (a.kind != b.kind || a.begin != b.begin || a.end != b.end) return "another segment " + std::to_string(i);
    if (a.level_w.has_value() != b.level_w.has_value() || !near(a.level_w.value_or(0.0), b.level_w.value_or(0.0)))
      return "another level of segment " + std::to_string(i);
  }
  return {};
}

/// What a hole must be for the gap rule (contract, "Segment kinds") to have no choice, whatever median it has learnt
/// from a meter some of whose answers are lost: twice its limit; and of half of it nothing can be made a gap.
struct HoleLimits {
  double surely_s, perhaps_s;
  explicit HoleLimits(double interval_s)
      : surely_s(2.0 * std::max(10.0, 5.0 * interval_s)), perhaps_s(0.5 * std::max(10.0, 5.0 * interval_s)) {}
};

bool is_gap_segment(const figures::RunFigures& figures, UtcTime begin, UtcTime end, Duration tolerance) {
  return std::any_of(figures.segments.begin(), figures.segments.end(), [&](const Segment& segment) {
    return segment.kind == SegmentKind::gap && segment.begin <= begin + tolerance && segment.end + tolerance >= end;
  });
}

/// Each level lies among the readings it is of, or as near as it says it is sure (a counter beside them may know better
/// than a few readings), and the segments follow each other without a hole.
std::string look_at_segments(const figures::RunFigures& figures, std::span<const Reading> readings) {
  for (std::size_t i = 0; i < figures.segments.size(); ++i) {
    const Segment& segment = figures.segments[i];
    if (i > 0 && segment.begin != figures.segments[i - 1].end) return "a hole before segment " + std::to_string(i);
    if (!segment.level_w) continue;
    double lowest = INFINITY, highest = -INFINITY;
    for (const Reading& reading : readings) {
      if (reading.time < segment.begin || reading.time > segment.end) continue;
      const double power_w = reading.values.get(Quantity::power)->value();
      lowest = std::min(lowest, power_w);
      highest = std::max(highest, power_w);
    }
    const double slack_w = segment.uncertainty_w.value_or(0.0) + 1e-6;
    if (*segment.level_w < lowest - slack_w || *segment.level_w > highest + slack_w)
      return "the level of segment " + std::to_string(i) + " is none of its readings'";
  }
  return {};
}

/// An automatic run that nobody ended is over where the meter's own `off` began (contract, "Runs"): it holds the last
/// reading above that, and none after it.
std::string look_at_end(const storage::RunInfo& run, std::span<const Reading> all, std::size_t by_hand) {
  const auto is_off = [&](const Reading& reading) {
    return std::abs(reading.values.get(Quantity::power)->value()) <= *run.traits.starting_w;
  };
  const auto later = [](const Reading& reading, UtcTime time) { return reading.time < time; };
  const auto begin = std::lower_bound(all.begin(), all.end(), run.begin, later);
  const auto end = std::lower_bound(begin, all.end(), *run.end + Duration{1}, later);
  const bool was_on = !std::all_of(begin, end, is_off);  // one that never was is there because somebody named it
  if (!was_on || static_cast<std::size_t>(end - all.begin()) <= by_hand) return {};
  if (is_off(*(end - 1))) return "it goes on though the meter says off, until " + when(*(end - 1));
  if (end == all.end() || !is_off(*end)) return "it ends though the meter does not say off, after " + when(*(end - 1));
  return {};
}

/// A run's count, energy, gaps and levels beside its readings: bounds that hold however they are reckoned.
std::string look_at_run(const figures::RunFigures& figures, const std::vector<Reading>& all, double interval_s) {
  const auto later = [](const Reading& reading, UtcTime time) { return reading.time < time; };
  const auto begin = std::lower_bound(all.begin(), all.end(), figures.info.begin, later);
  const auto end =
      figures.info.end ? std::lower_bound(begin, all.end(), *figures.info.end + Duration{1}, later) : all.end();
  const std::span<const Reading> readings(begin, end);
  if (figures.totals.samples() != static_cast<std::int64_t>(readings.size()))
    return "it counts " + std::to_string(figures.totals.samples()) + " readings and holds " +
           std::to_string(readings.size());
  const HoleLimits limits(interval_s);
  constexpr std::size_t learnt = 8;  // readings, until the rule knows the interval, whichever of them came twice
  constexpr double calendar_slack_s = 2.0;
  double least_wh = 0.0, most_wh = 0.0, gaps_s = 0.0;
  // The rule's median is of what it has seen so far, and a meter that says all twice has one of next to nothing.
  std::size_t twice = 0;
  for (std::size_t i = 1; i < readings.size(); ++i) {
    const double hole_s = to_seconds(readings[i].time - readings[i - 1].time).value;
    const double a = readings[i - 1].values.get(Quantity::power)->value();
    const double b = readings[i].values.get(Quantity::power)->value();
    const bool surely = hole_s > limits.surely_s && i >= learnt;
    if (hole_s < 0.25 * interval_s) ++twice;
    const bool unlearnt = i < learnt || 4 * twice > i;
    if (hole_s <= (unlearnt ? 0.5 * GapRule::shortest_gap_s : limits.perhaps_s))
      least_wh += std::min(a, b) * hole_s / 3600.0;
    if (!surely) most_wh += std::max(a, b) * hole_s / 3600.0;
    if (!surely) continue;
    // How long nothing was recorded while the machine was down, the calendar knows better than the record's time.
    const Duration shown = figures.calendar.shown(readings[i].time) - figures.calendar.shown(readings[i - 1].time);
    gaps_s += std::clamp(to_seconds(shown).value - calendar_slack_s, 0.0, hole_s);
    if (!is_gap_segment(figures, readings[i - 1].time, readings[i].time, to_duration({interval_s})))
      return "a hole that is no gap, from " + when(readings[i - 1]);
  }
  const double energy_wh = figures.totals.energy_wh().value_or(0.0);
  constexpr double slack_wh = 1e-6;
  if (energy_wh < least_wh - slack_wh || energy_wh > most_wh + slack_wh)
    return "an energy of " + std::to_string(energy_wh) + " Wh, by its readings between " + std::to_string(least_wh) +
           " and " + std::to_string(most_wh);
  if (figures.totals.gap_s() < gaps_s * 0.999)
    return "gaps of " + std::to_string(figures.totals.gap_s()) + " s for holes of " + std::to_string(gaps_s) + " s";
  return look_at_segments(figures, readings);
}

}  // namespace

std::uint64_t Truth::readings() const {
  std::uint64_t count = 0;
  for (const auto& [name, stream] : streams_) {
    if (!damaged_) count += stream.accepted.size();
    for (const auto& [file, readings] : stream.of_file) count += readings.size();
  }
  return count;
}

std::string Truth::look(const End& end, std::map<std::string, Asked>& asked) {
  if (damaged_) {
    const std::vector<File> all = files();
    // Damage that nobody has had to do with yet.
    const bool not_made_yet = ((end.power_cut || end.killed) && holds_nothing(all.back())) ||
                              (!end.well && storage::store_bytes(path_).value_or(0) == 0);
    // The log that the cut took had hidden it.
    const bool found_now = end.power_cut && all.back().id == damaged_file_;
    if (!all.back().store && end.ran && !not_made_yet && !found_now)
      return "the store cannot be opened: " + all.back().store.error().message;
    for (const SimMeter* meter : meters_)
      if (std::string problem = look_at_files(all, *meter, end); !problem.empty())
        return "meter " + meter->name() + ", after damage: " + problem;
    files_seen_ = all.size();
    // Whose runs and figures are where, and what `check` says, hangs on what the damage hit.
    if (all.back().id == damaged_file_ || !all.back().store) return {};
    return look_at_new_file(*all.back().store);
  }
  const auto store = storage::StoreReader::open(path_);
  const bool never_made = storage::store_bytes(path_).value_or(0) == 0;
  if (!store && never_made && readings() == 0) return {};
  // Killed while the store was being made: whoever writes to it next makes the rest.
  if (!store && nothing_must_be_there(end)) {
    for (auto& [name, stream] : streams_) stream.accepted.clear();
    return {};
  }
  if (!store) return "the store cannot be opened: " + store.error().message;
  if (!storage::quarantined_stores(path_).empty()) return "a sound store was set aside";
  for (const SimMeter* meter : meters_)
    if (std::string problem = look_at_meter(*store, *meter, end); !problem.empty())
      return "meter " + meter->name() + ": " + problem;
  if (std::string problem = look_at_parts(*store, end); !problem.empty()) return problem;
  if (end.ran || end.power_cut) before_ = end;
  const auto check = store->check(figures::prove_run);
  if (!check) return "check: " + check.error().message;
  if (!check->ok) return "check: " + check->problems.front();
  if (std::string problem = look_at_runs(*store, end, asked); !problem.empty()) return problem;
  if (std::string problem = look_at_ends(*store, end); !problem.empty()) return problem;
  return figures_anew(*store, true);
}

/// One that was begun after the damage: nothing in it is excused.
std::string Truth::look_at_new_file(const storage::StoreReader& store) {
  const auto check = store.check(figures::prove_run);
  if (!check) return "check of the new store: " + check.error().message;
  if (!check->ok) return "check of the new store: " + check->problems.front();
  return figures_anew(store, false);
}

void Truth::expect_damage() {
  damaged_file_ = file_number(path_);
  if (!std::exchange(damaged_, true))
    for (auto& [name, stream] : streams_) stream.of_file[file_number(path_)] = stream.accepted;
}

/// The stores that were set aside, the oldest first, and the one at the path.
std::vector<Truth::File> Truth::files() const {
  std::vector<std::string> paths = storage::quarantined_stores(path_);
  paths.push_back(path_);
  std::vector<File> found;
  for (const std::string& path : paths) found.push_back({file_number(path), storage::StoreReader::open(path)});
  return found;
}

/// No reading was ever found in it: it may have been cut off while it was being made.
bool Truth::holds_nothing(const File& file) const {
  return file.id != damaged_file_ && std::all_of(streams_.begin(), streams_.end(), [&](const auto& entry) {
           const auto known = entry.second.of_file.find(file.id);
           return known == entry.second.of_file.end() || known->second.empty();
         });
}

bool Truth::nothing_must_be_there(const End& end) const {
  if (end.power_cut) return readings() == 0;
  return readings() == 0 && std::all_of(meters_.begin(), meters_.end(), [&](const SimMeter* meter) {
           return std::all_of(meter->said().begin(), meter->said().end(),
                              [&](const Said& said) { return !said.must || said.true_us > end.safe_us; });
         });
}

std::string Truth::look_at_meter(const storage::StoreReader& store, const SimMeter& meter, const End& end) {
  Stream& stream = streams_[meter.name()];
  std::vector<Reading> stored;
  const auto id = store.stream_of_meter(meter.name());
  if (!id) return id.error().message;
  if (*id) {
    const auto read = readings_of(store, **id, stored);
    if (!read) return read.error().message;
  }
  if (std::string problem = keep_old(stream, stored, end.power_cut); !problem.empty()) return problem;
  if (std::string problem = match_new(store, id->value_or(0), stream, stored, meter, end); !problem.empty())
    return problem;
  if (end.clean) stream.durable = stored.size();
  return {};
}

/// After damage: in each file what is there of the old is as it was, and what is new was said, one file after the
/// other.
std::string Truth::look_at_files(const std::vector<File>& files, const SimMeter& meter, const End& end) {
  Stream& stream = streams_[meter.name()];
  const std::vector<Said>& said = meter.said();
  const std::size_t first = std::exchange(stream.said, said.size());
  std::set<std::size_t> found;
  bool all_readable = files.size() == files_seen_;
  for (const File& file : files) {
    std::vector<Reading> stored;
    const auto id = file.store ? file.store->stream_of_meter(meter.name())
                               : Result<std::optional<storage::StreamId>>(tl::unexpected(file.store.error()));
    const bool read = id && (!*id || readings_of(*file.store, **id, stored));
    std::vector<Reading>& known = stream.of_file[file.id];
    all_readable = all_readable && (read || &file != &files.back());
    if (std::string problem = keep_found(known, stored); !problem.empty()) return problem;
    const std::size_t from = known.size();
    known = stored;
    if (from == stored.size()) continue;
    std::optional<std::vector<std::size_t>> places;
    std::size_t stuck = from;
    for (std::size_t i = found.empty() ? first : *found.rbegin() + 1; i < said.size() && !places; ++i)
      if (same_value(stored[from], said[i]))
        places = follow(stored, from, meter, i, stored[from].time.us - said[i].mono_us, stuck);
    if (!places) return "stored, but not said then: " + when(stored[std::min(stuck, stored.size() - 1)]);
    found.insert(places->begin(), places->end());
  }
  if (!all_readable || end.power_cut || !end.ran) return {};
  for (std::size_t i = first; i < said.size(); ++i)
    if (said[i].must && said[i].true_us <= end.safe_us && !found.contains(i))
      return "said and not stored: " + std::to_string(said[i].milliwatts) + " mW at " +
             std::to_string(said[i].true_us) + " us of the world";
  return {};
}

std::string Truth::keep_found(std::vector<Reading>& known, const std::vector<Reading>& stored) {
  std::vector<Reading> found;
  std::size_t old = 0;
  std::optional<UtcTime> last;
  for (const Reading& reading : stored) {
    if (last && reading.time <= *last) return "not in order: " + when(reading);
    last = reading.time;
    if (known.empty() || reading.time > known.back().time) continue;
    while (known[old].time < reading.time) ++old;
    if (!(known[old] == reading)) return "a reading that was stored is another now: " + when(reading);
    found.push_back(reading);
  }
  known = std::move(found);
  return {};
}

std::string Truth::keep_old(Stream& stream, const std::vector<Reading>& stored, bool may_shrink) {
  const std::size_t both = std::min(stream.accepted.size(), stored.size());
  for (std::size_t i = 0; i < both; ++i)
    if (!(stream.accepted[i] == stored[i]))
      return "a reading that was stored is another now: " + when(stream.accepted[i]) + " became " + when(stored[i]);
  if (stored.size() < stream.durable)
    return "gone since a clean end had put them on the disk, from " + when(stream.accepted[both]);
  if (stored.size() < stream.accepted.size() && !may_shrink)
    return "readings that were stored are gone, from " + when(stream.accepted[both]);
  stream.accepted.resize(both);
  return {};
}

std::string Truth::match_new(const storage::StoreReader& store, storage::StreamId id, Stream& stream,
                             const std::vector<Reading>& stored, const SimMeter& meter, const End& end) {
  const std::vector<Said>& said = meter.said();
  const std::size_t first = stream.said;
  const std::size_t from = stream.accepted.size();
  stream.said = said.size();
  stream.accepted = stored;
  std::optional<std::vector<std::size_t>> places;
  std::size_t stuck = from;
  if (from == stored.size()) places.emplace();
  for (std::size_t i = first; i < said.size() && !places; ++i)
    if (same_value(stored[from], said[i]))
      places = follow(stored, from, meter, i, stored[from].time.us - said[i].mono_us, stuck);
  if (!places) return "stored, but not said then: " + when(stored[std::min(stuck, stored.size() - 1)]);
  for (std::size_t i = 0; i < places->size(); ++i) {
    const Reading& reading = stored[from + i];
    const auto utc_offset = store.utc_offset_at(id, reading.time);
    if (!utc_offset) return utc_offset.error().message;
    const Said& one = said[(*places)[i]];
    const std::int64_t shown_us = reading.time.us + utc_offset->count();
    // As the calendar was then, as it was before a step that nobody had noticed yet, or as it was put right since.
    const auto is_right = [&](std::int64_t calendar_us) { return std::abs(shown_us - calendar_us) <= step_limit_us; };
    const bool right = is_right(one.utc_us) || is_right(one.unstepped_us) ||
                       std::any_of(end.calendars_us.begin(), end.calendars_us.end(),
                                   [&](std::int64_t since_us) { return is_right(one.mono_us + since_us); });
    if (one.late_us == 0 && !right)
      return "shown " + std::to_string(shown_us - one.utc_us) + " us off the calendar: " + when(reading) +
             ", said at " + std::to_string(one.mono_us) + " us of the machine's time";
  }
  if (!places->empty() && said[places->front()].late_us == 0) {
    const UtcTime before = from > 0 ? stored[from - 1].time : UtcTime{0};
    const std::int64_t offset_us = stored[from].time.us - said[places->front()].mono_us;
    if (std::string problem = look_at_time_line(store, stream, end, offset_us, before, stored[from].time);
        !problem.empty())
      return problem;
  }
  if (from > 0 && !places->empty())
    if (std::string problem = look_at_losses(store, stream, stored[from - 1].time, stored[from].time); !problem.empty())
      return problem;
  std::size_t next = 0;
  for (std::size_t i = first; i < said.size(); ++i) {
    if (next < places->size() && (*places)[next] == i) {
      ++next;
      continue;
    }
    const bool required = end.power_cut ? next < places->size() : said[i].true_us <= end.safe_us;
    if (said[i].must && required)
      return "said and not stored: " + std::to_string(said[i].milliwatts) + " mW at " +
             std::to_string(said[i].true_us) + " us of the world";
    if (said[i].must) stream.owed = !stored.empty();  // a store of which nothing is left tells nothing
  }
  return {};
}

// What went with a service is told by the next one, between the last reading before and the first one after.
std::string Truth::look_at_losses(const storage::StoreReader& store, Stream& stream, UtcTime before, UtcTime first) {
  if (!std::exchange(stream.owed, false)) return {};
  const auto events = store.events(before, first + Duration{1});
  if (!events) return events.error().message;
  const auto tells = [](const storage::Event& event) {
    using storage::EventKind;
    return event.kind == EventKind::killed || event.kind == EventKind::outage || event.kind == EventKind::readings_lost;
  };
  if (std::any_of(events->begin(), events->end(), tells)) return {};
  return "readings were lost and no event says so, before " + std::to_string(first.us) + " us";
}

// Between two lives of the service: the machine ran on, and the record's time with it, or it was started anew, and
// there is a gap that no meter's silence rule overlooks and an event that says so.
std::string Truth::look_at_time_line(const storage::StoreReader& store, Stream& stream, const End& end,
                                     std::int64_t offset_us, UtcTime before, UtcTime first) {
  constexpr std::int64_t tolerance_us = 10'000;
  constexpr std::int64_t an_outage_us = 3'600'000'000;
  const std::string machine = std::exchange(stream.machine, end.well ? end.machine : "");
  const std::int64_t offset_before_us = std::exchange(stream.offset_us, offset_us);
  if (!before_ || before.us == 0 || machine.empty() || !end.well) return {};
  if (machine == end.machine) {
    if (std::abs(offset_us - offset_before_us) <= tolerance_us) return {};
    return "the record's time did not run on with the machine: off by " + std::to_string(offset_us - offset_before_us) +
           " us";
  }
  const auto events = store.events(before, first + Duration{1});
  if (!events) return events.error().message;
  const bool told = std::any_of(events->begin(), events->end(),
                                [](const storage::Event& event) { return event.kind == storage::EventKind::outage; });
  if (!told) return "an outage that no event tells of, before " + std::to_string(first.us) + " us";
  return (first - before).count() >= an_outage_us ? "" : "an outage that is no gap, before " + std::to_string(first.us);
}

// What the service must say of itself, where nothing kept it from that.
std::string Truth::look_at_parts(const storage::StoreReader& store, const End& end) {
  if (!before_ || !before_->killed || !before_->well || !end.well || !end.ran || end.power_cut) return {};
  const auto events = store.events(UtcTime{INT64_MIN}, UtcTime{INT64_MAX});
  if (!events) return events.error().message;
  const auto of_kind = [&](storage::EventKind kind) {
    return std::count_if(events->begin(), events->end(),
                         [&](const storage::Event& event) { return event.kind == kind; });
  };
  if (of_kind(storage::EventKind::killed) > 0 || readings() == 0) return {};
  return "no event tells that the service was killed";
}

std::string Truth::look_at_runs(const storage::StoreReader& store, const End& end,
                                std::map<std::string, Asked>& asked) {
  const auto runs = store.runs();
  if (!runs) return runs.error().message;
  std::set<std::string> there;
  for (const storage::RunInfo& run : *runs) {
    if (!run.device) continue;
    if (!there.insert(*run.device).second) return "two runs of device " + *run.device;
    const auto known = asked.find(*run.device);
    if (known == asked.end()) return "a run of a device that nobody named: " + *run.device;
    if (known->second.answered && !known->second.done) return "begun though refused: " + *run.device;
    if (known->second.undone && !end.power_cut) return "taken away and there: " + *run.device;
    known->second = {*run.device, true, true, false};
  }
  std::uint64_t joined = 0;
  for (auto& [device, known] : asked) {
    if (there.contains(device)) continue;
    if (known.done && !known.undone && !end.power_cut && ++joined > end.joins) return "begun and gone: " + device;
    // A power cut may bring it back, nothing else may.
    if (!known.answered || known.done) known = {device, true, true, true};
  }
  return {};
}

// Each once, when it is first found ended.
std::string Truth::look_at_ends(const storage::StoreReader& store, const End& end) {
  for (auto& [name, stream] : streams_)
    if (end.by_hand) stream.by_hand = stream.accepted.size();
  const auto runs = store.runs();
  if (!runs) return runs.error().message;
  for (const storage::RunInfo& run : *runs) {
    if (run.origin != storage::RunOrigin::automatic || !run.end || !run.meter || !ended_.insert(run.id).second)
      continue;
    const Stream& stream = streams_[*run.meter];
    if (std::string problem = look_at_end(run, stream.accepted, stream.by_hand); !problem.empty())
      return "run " + std::to_string(run.id) + ": " + problem;
  }
  return {};
}

// Of a run's figures what can be said of them from the readings alone, without our own reckoning of them.
std::string Truth::look_at_figures(const figures::RunFigures& figures) const {
  if (!figures.info.meter) return {};
  const auto stream = streams_.find(*figures.info.meter);
  if (stream == streams_.end()) return {};
  const auto meter = std::find_if(meters_.begin(), meters_.end(),
                                  [&](const SimMeter* one) { return one->name() == *figures.info.meter; });
  return look_at_run(figures, stream->second.accepted, to_seconds((*meter)->interval()).value);
}

// On a copy, where every run is made anew from its readings.
std::string Truth::figures_anew(const storage::StoreReader& store, bool beside_what_was_said) {
  namespace fs = std::filesystem;
  const auto runs = store.runs();
  if (!runs) return runs.error().message;
  if (runs->empty()) return {};
  const std::string copy = path_ + ".copy";
  for (const char* part : {"", "-wal"}) {
    std::error_code ignored;
    fs::remove(copy + part, ignored);
    fs::copy_file(path_ + part, copy + part, ignored);
  }
  std::string problem;
  {
    auto anew = storage::StoreWriter::open(copy, {});
    if (!anew) return "a copy cannot be opened: " + anew.error().message;
    for (const storage::RunInfo& run : *runs) {
      const auto begun = anew->begin();
      const auto made = begun ? figures::resegment(*anew, run.id) : begun;
      const auto done = made ? anew->commit() : made;
      if (!done) return "run " + std::to_string(run.id) + " cannot be made anew: " + done.error().message;
      const auto kept_figures = figures::run_figures(store, run.id);
      const auto anew_figures = figures::run_figures(anew->reader(), run.id);
      if (!kept_figures) return "run " + std::to_string(run.id) + ": " + kept_figures.error().message;
      if (!anew_figures) return "run " + std::to_string(run.id) + " anew: " + anew_figures.error().message;
      std::string differs = compare(*kept_figures, *anew_figures);
      if (differs.empty() && beside_what_was_said) differs = look_at_figures(*kept_figures);
      if (!differs.empty() && problem.empty())
        problem = "run " + std::to_string(run.id) + " has not the figures of its readings: " + differs;
    }
  }
  for (const char* part : {"", "-wal", "-shm", "-lock"}) {
    std::error_code ignored;
    fs::remove(copy + part, ignored);
  }
  return problem;
}

}  // namespace nightwatt::world
