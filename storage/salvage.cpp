#include "storage/salvage.hpp"

#include <unistd.h>

#include <algorithm>
#include <deque>
#include <filesystem>
#include <set>
#include <utility>

#include "found_rows.hpp"
#include "put_back.hpp"
#include "reader_impl.hpp"
#include "rollup.hpp"
#include "schema.hpp"
#include "store_files.hpp"

namespace nightwatt::storage {
namespace {

// Between two rows of the tail of which one may be missing: a hole of so many of the longest steps beside it is told as
// a loss.
constexpr std::int64_t steps_of_a_hole = 2;

void bind_value(Query& query, int place, const RowValue& value) {
  if (const auto* whole = std::get_if<std::int64_t>(&value))
    query.bind(place, *whole);
  else if (const auto* real = std::get_if<double>(&value))
    query.bind(place, *real);
  else if (const auto* text = std::get_if<std::string>(&value))
    query.bind_text(place, std::string_view(*text));
  else if (const auto* blob = std::get_if<BlobValue>(&value))
    query.bind_blob(place, blob->bytes);
}

/// Whether a row of sums was made of these readings.
bool agree(const Columns& columns, const SoundRow& row) {
  if (row.integer(1) < 0 || row.integer(1) >= static_cast<std::int64_t>(quantity_count)) return false;
  const BlockAggregates aggregates = aggregates_of(columns, static_cast<Quantity>(row.integer(1)), 0, columns.size());
  const auto real = [&](std::size_t column) { return std::get<double>(row.values[column]); };
  return aggregates.count == row.integer(3) && aggregates.first_us == row.integer(4) &&
         aggregates.last_us == row.integer(5) && aggregates.first == real(6) && aggregates.last == real(7) &&
         aggregates.min == real(8) && aggregates.max == real(9);
}

bool of_stream(Table table) {
  return table == Table::write_buffer || table == Table::rollup || table == Table::utc_offset;
}

/// Whether all that minutes or hours tell of has sums beside it (`carried`: bit i, quantity i).
bool has_sums_of(const SoundRow& rollup, std::int64_t step_s, std::int64_t carried) {
  const Result<Buckets> buckets = decode_rollup(rollup.blob(3), step_s);
  return buckets && std::all_of(all_quantities.begin(), all_quantities.end(), [&](Quantity quantity) {
           const auto place = static_cast<unsigned>(quantity);
           return (*buckets)[place].empty() || (carried >> place & 1) != 0;
         });
}

std::int64_t longest_step_us(const Columns& columns) {
  std::int64_t longest = 0;
  for (std::size_t i = 1; i < columns.times.size(); ++i)
    longest = std::max(longest, columns.times[i] - columns.times[i - 1]);
  return longest;
}

std::optional<std::int64_t> behind(std::optional<std::int64_t> last_us) {
  return last_us ? std::optional(*last_us + 1) : std::nullopt;
}

/// A block as the new store will have it.
struct Brought {
  std::int64_t first_us = 0, last_us = 0, count = 0;
  const std::string* bytes = nullptr;  ///< none: its readings are gone, or were given up
  bool given_up = false;
  /// A block that was before it in the stream, by its `first_us`: the newest that anything of this one tells of.
  std::optional<std::int64_t> before_us = std::nullopt;
  std::optional<std::int64_t> carried = std::nullopt;  ///< bit i: it has sums of quantity i
};

/// From the rows of the damaged store to those of the new one, within one transaction.
class Salvager {
 public:
  Salvager(const PageImage& image, FoundTables& found, Database& fresh, SalvageReport& report)
      : found_(found), tally_(find_tally(image)), fresh_(fresh), report_(report) {
    const auto write_buffer = image.rows_of_whole(traits_of(Table::write_buffer).name);
    write_buffer_is_whole_ = write_buffer && *write_buffer == rows(Table::write_buffer).size();
    const auto blocks = image.rows_of_whole(traits_of(Table::block).name);
    blocks_are_whole_ = blocks && *blocks == rows(Table::block).size();
  }

  void run() {
    bring_streams();
    judge_rows_set_aside();
    // Of a file nothing is given up: a block that fits it and a meter alike, whose row is lost, is the file's.
    for (const bool files : {true, false})
      for (const auto& [stream, meter] : streams_)
        if (files != meter.has_value()) bring_readings(stream, meter);
    bring_runs();
    bring_marks();
    for (const Table table : {Table::event, Table::value}) bring_all(table);
    for (const auto& [key, row] : rows(Table::utc_offset))
      if (streams_.contains(row.integer(0))) put(Table::utc_offset, row);
    list_unclaimed();
    list_set_aside();
    list_missing();
    name_runs_of_losses();
  }

 private:
  using Meter = std::optional<std::string>;
  std::map<std::string, SoundRow>& rows(Table table) { return found_[static_cast<std::size_t>(table)]; }

  void put(Table table, const SoundRow& row) {
    std::string sql =
        std::string("INSERT INTO ") + traits_of(table).name + " (" + traits_of(table).form.columns + ") VALUES (?1";
    for (std::size_t i = 2; i <= row.values.size(); ++i) sql += ", ?" + std::to_string(i);
    // One text a table: statements are kept by its address.
    const std::string& text = statements_.emplace(table, sql + ")").first->second;
    Query insert = fresh_.query(text.c_str());
    for (std::size_t i = 0; i < row.values.size(); ++i) bind_value(insert, static_cast<int>(i) + 1, row.values[i]);
    insert.run();
  }
  void bring_all(Table table) {
    for (const auto& [key, row] : rows(table)) put(table, row);
  }

  /// Also those whose row is lost, as long as something of them is there.
  void bring_streams() {
    std::set<StreamId> named;
    for (auto& [key, row] : rows(Table::stream)) {
      named.insert(row.id);
      if (row.integer(2) == 0) {
        report_.remarks.push_back("an import that was not complete was left out");
        continue;
      }
      newest_[row.id] = row.integer_or_none(3);
      row.values[3] = {};
      streams_[row.id] = row.text(1).empty() ? Meter{} : Meter{row.text(1)};
      put(Table::stream, row);
    }
    for (const auto& [table, column] : {std::pair(Table::block, 0), std::pair(Table::write_buffer, 1),
                                        std::pair(Table::aggregates, 0), std::pair(Table::run, 1)})
      for (const auto& [key, row] : rows(table)) {
        const auto id = row.integer_or_none(static_cast<std::size_t>(column));
        if (!id || !named.insert(*id).second) continue;
        SoundRow stream;
        stream.values = {*id, {}, std::int64_t{1}, {}};
        if (is_of_file(*id)) {
          streams_[*id] = {};
        } else {
          const std::string name = "salvaged-" + std::to_string(*id);
          report_.remarks.push_back("the name of a meter is lost: it is called " + name + " now");
          stream.values[1] = name;
          streams_[*id] = name;
        }
        put(Table::stream, stream);
      }
  }

  /// Of an imported file, which has no meter.
  bool is_of_file(StreamId stream) { return end_of_file(stream).has_value(); }  // imports are closed
  std::optional<std::int64_t> end_of_file(StreamId stream) {
    for (const auto& [key, run] : rows(Table::run))
      if (run.integer_or_none(1) == stream && run.integer(3) == static_cast<std::int64_t>(RunOrigin::imported))
        return run.integer_or_none(5);
    return std::nullopt;
  }

  /// A block that no row tells of, or whose row tells of other readings, is found by its own first time.
  const SoundRow* data_of(std::optional<std::int64_t> id, std::int64_t first_us, std::int64_t last_us,
                          std::int64_t count) {
    if (!id) return nullptr;
    const auto found = rows(Table::block_data).find(row_key({*id}));
    if (found == rows(Table::block_data).end()) return nullptr;
    const Result<Columns> columns = decode_block(found->second.blob(1));
    const bool same = columns && columns->times.front() == first_us && columns->times.back() == last_us &&
                      static_cast<std::int64_t>(columns->size()) == count;
    if (!same) return nullptr;
    claimed_.insert(*id);
    return &found->second;
  }

  std::vector<Brought> blocks_of(StreamId stream, const Meter& meter);
  void judge_rows_set_aside();
  void put_back_into_blocks(StreamId stream, std::map<std::int64_t, Brought>& by_time);
  [[nodiscard]] std::vector<PutBack> rows_of_write_buffer(StreamId stream);
  [[nodiscard]] bool is_free(StreamId stream, std::int64_t first_us, std::int64_t last_us) const;
  void list_set_aside();
  void note_put_back(StreamId stream, const PutBack& back) { put_back_[stream] += back.columns.size(); }
  void add_block_of_aggregates(Brought& block, const SoundRow& aggregates);
  [[nodiscard]] bool has_rollup(StreamId stream, std::int64_t block_us);
  const std::multimap<std::int64_t, const SoundRow*>& data_by_time();
  void bring_readings(StreamId stream, const Meter& meter);
  void bring_block(StreamId stream, const Brought& block);
  void bring_given_up(StreamId stream, const Meter& meter, const Brought& block);
  void bring_write_buffer(StreamId stream, const Meter& meter, std::optional<std::int64_t> last_us,
                          bool last_is_newest);
  void lose_newest(StreamId stream, const Meter& meter, std::optional<std::int64_t> last_us);
  void bring_runs();
  void bring_marks();
  void list_unclaimed();
  void list_missing();
  [[nodiscard]] std::int64_t missing(Table table, std::int64_t owner);
  [[nodiscard]] bool write_buffer_is_whole(StreamId stream) {
    return write_buffer_is_whole_ && missing(Table::write_buffer, stream) <= 0;
  }
  void lose(const Meter& meter, StreamId stream, std::optional<std::int64_t> from_us, std::optional<std::int64_t> to_us,
            std::optional<std::int64_t> readings) {
    if (from_us && to_us && *to_us < *from_us) return;
    const auto time = [](std::optional<std::int64_t> us) { return us ? std::optional(UtcTime{*us}) : std::nullopt; };
    report_.losses.push_back({meter, time(from_us), time(to_us), readings, {}});
    loss_streams_.push_back(stream);
  }
  void name_runs_of_losses() {
    for (std::size_t i = 0; i < report_.losses.size(); ++i) {
      SalvageLoss& loss = report_.losses[i];
      for (const auto& [key, run] : rows(Table::run)) {
        const bool of_it = run.integer_or_none(1) == loss_streams_[i] &&
                           run.integer(4) <= loss.to.value_or(UtcTime{highest_time_us}).us &&
                           run.integer_or_none(5).value_or(highest_time_us) >= loss.from.value_or(UtcTime{}).us;
        if (of_it) loss.runs.push_back(run.id);
      }
    }
  }

  FoundTables& found_;
  const FoundTally tally_;
  Database& fresh_;
  SalvageReport& report_;
  std::map<Table, std::string> statements_;
  std::map<StreamId, Meter> streams_;
  std::map<StreamId, std::optional<std::int64_t>> newest_;
  std::set<std::int64_t> claimed_;
  std::optional<std::multimap<std::int64_t, const SoundRow*>> data_by_time_;
  std::vector<StreamId> loss_streams_;
  Quarantine quarantine_;
  std::map<StreamId, std::size_t> put_back_;  ///< readings
  std::deque<std::string> made_blocks_;
  std::map<StreamId, std::map<std::int64_t, std::int64_t>> brought_;  ///< first and last time of what came over
  std::set<RunId> brought_runs_;
  bool write_buffer_is_whole_ = false;
  bool blocks_are_whole_ = false;
};

/// By time, without overlap. A block of which only the sums are left holds its place.
std::vector<Brought> Salvager::blocks_of(StreamId stream, const Meter& meter) {
  std::map<std::int64_t, Brought> by_time;
  std::set<std::int64_t> known;
  for (const auto& [key, row] : rows(Table::block)) {
    if (row.integer(0) != stream) continue;
    Brought block{row.integer(1),          row.integer(2),         row.integer(3),        nullptr,
                  !row.integer_or_none(4), row.integer_or_none(5), row.integer_or_none(6)};
    if (const SoundRow* data = data_of(row.integer_or_none(4), block.first_us, block.last_us, block.count))
      block.bytes = &data->blob(1);
    by_time[block.first_us] = block;
    known.insert(block.first_us);
  }
  for (const auto& [key, row] : rows(Table::aggregates)) {
    if (row.integer(0) != stream || known.contains(row.integer(2))) continue;
    add_block_of_aggregates(by_time[row.integer(2)], row);
  }
  put_back_into_blocks(stream, by_time);
  std::vector<Brought> blocks;
  for (const auto& [first_us, block] : by_time) {
    const bool fits = blocks.empty() || blocks.back().last_us < first_us;
    if (fits)
      blocks.push_back(block);
    else
      lose(meter, stream, block.first_us, block.last_us, block.count);
  }
  return blocks;
}

void Salvager::judge_rows_set_aside() {
  std::set<StreamId> streams;
  for (const auto& [id, meter] : streams_) streams.insert(id);
  quarantine_ = judge_quarantine(rows(Table::quarantine), streams);
}

/// What the service had to set aside and has blocks behind it goes into the hole it left in one of them, or becomes one
/// of its own.
void Salvager::put_back_into_blocks(StreamId stream, std::map<std::int64_t, Brought>& by_time) {
  std::erase_if(quarantine_.sound[stream], [&](const PutBack& back) {
    const std::int64_t first_us = back.columns.times.front(), last_us = back.columns.times.back();
    const auto behind = by_time.upper_bound(first_us);
    const auto around = behind == by_time.begin() ? by_time.end() : std::prev(behind);
    Columns block = back.columns;
    if (around != by_time.end() && around->second.last_us >= first_us) {
      const Result<Columns> holed =
          around->second.bytes == nullptr ? Result<Columns>(Columns{}) : decode_block(*around->second.bytes);
      auto filled = holed ? fitted_in(*holed, back.columns) : std::nullopt;
      if (!filled) return true;  // others are there: nobody can say which are right
      block = std::move(*filled);
    } else if (behind == by_time.end() || behind->first <= last_us) {
      return behind != by_time.end();  // else of the tail
    }
    made_blocks_.push_back(encode_block(block, block_compression));
    by_time[block.times.front()] = {block.times.front(), block.times.back(), static_cast<std::int64_t>(block.size()),
                                    &made_blocks_.back()};
    note_put_back(stream, back);
    return true;
  });
}

/// By time, those that had been set aside among them.
std::vector<PutBack> Salvager::rows_of_write_buffer(StreamId stream) {
  std::vector<PutBack> found;
  for (const auto& [key, row] : rows(Table::write_buffer)) {
    if (row.integer(1) != stream) continue;
    PutBack one{row, {}};
    one.row.values[0] = {};  // the new store numbers its rows itself
    if (decode_write_buffer(row.blob(2), one.columns)) found.push_back(std::move(one));
  }
  const auto overlap = [](const PutBack& a, const PutBack& b) {
    return a.columns.times.front() <= b.columns.times.back() && b.columns.times.front() <= a.columns.times.back();
  };
  for (PutBack& back : quarantine_.sound[stream]) {
    if (std::any_of(found.begin(), found.end(), [&](const PutBack& one) { return overlap(one, back); })) continue;
    note_put_back(stream, back);
    found.push_back(std::move(back));
  }
  std::stable_sort(found.begin(), found.end(), [](const PutBack& a, const PutBack& b) {
    return a.columns.times.front() < b.columns.times.front();
  });
  return found;
}

/// Whether no readings that came over lie there.
bool Salvager::is_free(StreamId stream, std::int64_t first_us, std::int64_t last_us) const {
  const auto spans = brought_.find(stream);
  if (spans == brought_.end()) return true;
  const auto behind = spans->second.upper_bound(last_us);
  return behind == spans->second.begin() || std::prev(behind)->second < first_us;
}

/// What had been set aside and stays lost. Its own times are believed where they lie in a hole.
void Salvager::list_set_aside() {
  for (const auto& [stream, readings] : put_back_)
    report_.remarks.push_back(streams_[stream].value_or("a file") + ": " + std::to_string(readings) +
                              " readings that had been set aside prove sound and are back");
  for (const auto& [stream, damaged] : quarantine_.damaged) {
    const auto known = streams_.find(stream);
    std::int64_t without_times = 0;
    for (const NotPutBack& row : damaged) {
      const bool in_a_hole = row.first_us && known != streams_.end() && is_free(stream, *row.first_us, *row.last_us);
      if (in_a_hole)
        lose(known->second, stream, row.first_us, row.last_us, row.readings);
      else
        ++without_times;
    }
    if (without_times == 0) continue;
    const std::string whose = known == streams_.end() ? "a meter" : known->second.value_or("a file");
    report_.remarks.push_back(whose + ": " + std::to_string(without_times) +
                              " rows of readings that had been set aside do not prove sound and are lost; the events "
                              "say when the service found them");
  }
}

/// What was given up has minutes and hours; its readings may lie about still, where the list of free pages is damaged.
bool Salvager::has_rollup(StreamId stream, std::int64_t block_us) {
  return rows(Table::rollup).contains(row_key({stream, block_us, minute_s})) ||
         rows(Table::rollup).contains(row_key({stream, block_us, hour_s}));
}

void Salvager::add_block_of_aggregates(Brought& block, const SoundRow& aggregates) {
  block.before_us = std::max(block.before_us, aggregates.integer_or_none(14));
  if (block.bytes != nullptr) return;
  block.first_us = aggregates.integer(2);
  block.last_us = std::max({block.last_us, block.first_us, aggregates.integer(5)});
  block.count = std::max(block.count, aggregates.integer(3));
  block.given_up = has_rollup(aggregates.integer(0), block.first_us);
  if (block.given_up) return;
  // Its readings may be there all the same.
  const auto [from, to] = data_by_time().equal_range(block.first_us);
  for (auto data = from; data != to && block.bytes == nullptr; ++data) {
    const Result<Columns> columns = decode_block(data->second->blob(1));
    if (!columns || !agree(*columns, aggregates) || !claimed_.insert(data->second->id).second) continue;
    block.last_us = columns->times.back();
    block.count = static_cast<std::int64_t>(columns->size());
    block.bytes = &data->second->blob(1);
  }
}

const std::multimap<std::int64_t, const SoundRow*>& Salvager::data_by_time() {
  if (data_by_time_) return *data_by_time_;
  data_by_time_.emplace();
  // What a row tells to be its own is nobody else's: two meters, or a file of one of them, may have the same times.
  std::set<std::int64_t> owned;
  for (const auto& [key, row] : rows(Table::block))
    if (const auto id = row.integer_or_none(4)) owned.insert(*id);
  for (const auto& [key, data] : rows(Table::block_data)) {
    if (owned.contains(data.id)) continue;
    if (const Result<Columns> columns = decode_block(data.blob(1)))
      data_by_time_->emplace(columns->times.front(), &data);
  }
  return *data_by_time_;
}

void Salvager::bring_readings(StreamId stream, const Meter& meter) {
  std::optional<std::int64_t> last_us, last_first_us;
  for (const Brought& block : blocks_of(stream, meter)) {
    if (block.before_us && block.before_us > last_first_us)
      lose(meter, stream, behind(last_us), block.first_us - 1, std::nullopt);
    if (block.bytes != nullptr) {
      bring_block(stream, block);
    } else {
      if (!block.given_up) lose(meter, stream, block.first_us, block.last_us, block.count);
      bring_given_up(stream, meter, block);
    }
    last_us = block.last_us;
    last_first_us = block.first_us;
  }
  const auto newest = newest_.find(stream);
  const bool told = newest != newest_.end() && newest->second;  // from version 4 on
  bring_write_buffer(stream, meter, last_us, told ? newest->second == last_first_us : blocks_are_whole_);
}

void Salvager::bring_block(StreamId stream, const Brought& block) {
  const Result<Columns> columns = decode_block(*block.bytes);
  if (!columns) return;  // it was decoded before
  Query data = fresh_.query("INSERT INTO block_data (bytes) VALUES (?1)");
  data.bind_blob(1, *block.bytes).run();
  Query row = fresh_.query("INSERT INTO block (stream, first_us, last_us, count, data) VALUES (?1, ?2, ?3, ?4, ?5)");
  row.bind(1, stream).bind(2, block.first_us).bind(3, block.last_us).bind(4, block.count).bind(5, fresh_.last_row_id());
  row.run();
  put_aggregates(fresh_, stream, *columns);
  brought_[stream][block.first_us] = block.last_us;
  ++report_.blocks;
  report_.readings += block.count;
}

/// What stays of it: sums, minutes and hours, as far as they are there.
void Salvager::bring_given_up(StreamId stream, const Meter& meter, const Brought& block) {
  Query row = fresh_.query("INSERT INTO block (stream, first_us, last_us, count, data) VALUES (?1, ?2, ?3, ?4, NULL)");
  row.bind(1, stream).bind(2, block.first_us).bind(3, block.last_us).bind(4, block.count).run();
  std::int64_t carried = 0;
  for (const Quantity quantity : all_quantities) {
    const auto aggregates =
        rows(Table::aggregates).find(row_key({stream, static_cast<std::int64_t>(quantity), block.first_us}));
    if (aggregates == rows(Table::aggregates).end()) continue;
    put(Table::aggregates, aggregates->second);
    carried |= std::int64_t{1} << static_cast<unsigned>(quantity);
  }
  for (const std::int64_t step_s : {minute_s, hour_s}) {
    const auto rollup = rows(Table::rollup).find(row_key({stream, block.first_us, step_s}));
    if (rollup != rows(Table::rollup).end() && has_sums_of(rollup->second, step_s, carried))
      put(Table::rollup, rollup->second);
  }
  if (block.given_up && carried != block.carried.value_or(carried))
    lose(meter, stream, block.first_us, block.last_us, block.count);
  ++report_.blocks;
}

/// `last_is_newest`: no block is missing between `last_us` and the tail.
void Salvager::bring_write_buffer(StreamId stream, const Meter& meter, std::optional<std::int64_t> last_us,
                                  bool last_is_newest) {
  std::optional<std::int64_t> last_id;
  std::int64_t last_step_us = 0;
  for (const auto& [row, columns] : rows_of_write_buffer(stream)) {
    if (last_us && columns.times.front() <= *last_us) continue;
    const std::int64_t first_us = columns.times.front(), step_us = longest_step_us(columns);
    const bool behind_block = !last_id;
    const bool next_row = last_id && row.id == *last_id + 1;
    const bool all_there = write_buffer_is_whole(stream) && (!behind_block || last_is_newest);
    const bool wide = !last_us || first_us - *last_us > steps_of_a_hole * std::max(step_us, last_step_us);
    const bool told = behind_block ? !last_is_newest || wide : wide && !next_row;
    if (!all_there && told) lose(meter, stream, behind(last_us), first_us - 1, std::nullopt);
    put(Table::write_buffer, row);
    last_us = columns.times.back();
    brought_[stream][first_us] = *last_us;
    last_id = row.id;
    last_step_us = step_us;
    report_.readings += static_cast<std::int64_t>(columns.size());
  }
  if (!write_buffer_is_whole(stream) || (!last_id && !last_is_newest)) lose_newest(stream, meter, last_us);
}

/// How long it went on is not known, unless it is of a file, whose run says so.
void Salvager::lose_newest(StreamId stream, const Meter& meter, std::optional<std::int64_t> last_us) {
  lose(meter, stream, behind(last_us), end_of_file(stream), std::nullopt);
}

void Salvager::bring_runs() {
  std::set<RunId>& known = brought_runs_;
  for (const auto& [key, row] : rows(Table::run)) {
    const auto stream = row.integer_or_none(1);
    if (stream && !streams_.contains(*stream)) continue;  // of an import that was not complete
    put(Table::run, row);
    known.insert(row.id);
  }
  report_.runs = static_cast<std::int64_t>(known.size());
  std::set<RunId> lost;
  for (const Table table : {Table::run_word, Table::run_state, Table::regime, Table::sketch})
    for (const auto& [key, row] : rows(table)) {
      const RunId run = row.integer(0);
      const bool alone = table == Table::sketch && !rows(Table::regime).contains(row_key({run, row.integer(1)}));
      if (alone) continue;  // of a batch of stretches that is lost
      if (known.contains(run))
        put(table, row);
      else
        lost.insert(run);
    }
  for (const RunId run : lost)
    report_.remarks.push_back("run " + std::to_string(run) + ": when it was and of what is lost; its readings stay");
}

void Salvager::bring_marks() {
  std::int64_t left_out = 0;
  for (const auto& [key, row] : rows(Table::mark)) {
    const auto run = row.integer_or_none(1);
    const bool has_run = !run || brought_runs_.contains(*run);
    left_out += has_run ? 0 : 1;
    if (!has_run) continue;
    put(Table::mark, row);
    ++report_.marks;
  }
  if (left_out > 0)
    report_.remarks.push_back(std::to_string(left_out) + " marks were left out: the runs they were of are lost");
}

void Salvager::list_unclaimed() {
  for (const auto& [key, data] : rows(Table::block_data)) {
    if (claimed_.contains(data.id)) continue;
    const Result<Columns> columns = decode_block(data.blob(1));
    if (!columns) continue;
    report_.remarks.push_back("a block of " + std::to_string(columns->size()) +
                              " readings is whole, but of which meter is lost: it was left out");
  }
}

/// How many rows of a table the store has counted that are not found; below 0: some that were taken away are back.
std::int64_t Salvager::missing(Table table, std::int64_t owner) {
  const auto told = tally_.find({table, owner});
  if (told == tally_.end()) return 0;
  const auto column = owner_column(table);
  std::int64_t found = 0;
  for (const auto& [key, row] : rows(table)) found += (column ? row.integer(*column) : 0) == owner ? 1 : 0;
  return told->second - found;
}

/// What is lost of the times of readings, and of runs as a whole, is told elsewhere.
void Salvager::list_missing() {
  for (const auto& [place, told] : tally_) {
    const auto& [table, owner] = place;
    const std::int64_t gone = missing(table, owner);
    if (gone <= 0) continue;
    std::string whose;
    if (const auto stream = streams_.find(owner); of_stream(table) && stream != streams_.end())
      whose = stream->second.value_or("a file") + ", ";
    else if (owner != 0)
      whose = "run " + std::to_string(owner) + ", ";
    report_.remarks.push_back(whose + table_words(table) + ": " + std::to_string(gone) + " of " + std::to_string(told) +
                              " rows are missing");
  }
}

Result<void> fill(const std::string& path, const PageImage& image, FoundTables& found, SalvageReport& report) {
  StoreTrouble trouble = StoreTrouble::none;
  auto opened = open_for_writing(path, trouble);
  if (!opened) return pass_on(opened.error());
  Database& fresh = **opened;
  auto filled = fresh.guarded([&]() -> Result<void> {
    fresh.execute("BEGIN IMMEDIATE");
    Salvager(image, found, fresh, report).run();
    seal_all_rows(fresh);
    fresh.execute("COMMIT");
    return {};
  });
  opened->reset();
  return filled;
}

Result<void> make_sound(const std::string& path, SalvageReport& report, const MendRuns& mend, const RunProof& prove) {
  auto writer = StoreWriter::open(path, {});
  if (!writer) return pass_on(writer.error());
  if (auto mended = mend(*writer, report); !mended) return mended;
  const auto check = writer->reader().check(prove);
  if (!check) return pass_on(check.error());
  if (check->ok) return {};
  return fail(ErrorKind::unusable, path + ": what was brought over is not sound: " + check->problems.front());
}

void remove_store(const std::string& path) {
  for (const char* suffix : {"", log_suffix, index_suffix, lock_suffix}) ::unlink((path + suffix).c_str());
}

}  // namespace

Result<SalvageReport> salvage(const std::string& damaged, const std::string& fresh, const MendRuns& mend,
                              const RunProof& prove) {
  if (std::filesystem::exists(fresh))
    return fail(ErrorKind::input, fresh + ": is there already; give the path of a new store");
  auto image = PageImage::read(damaged);
  if (!image) return pass_on(image.error());
  FoundTables found = find_sound_rows(*image);
  const bool nothing = std::all_of(found.begin(), found.end(), [](const auto& rows) { return rows.empty(); });
  if (nothing) return fail(ErrorKind::negative, damaged + ": nothing in it proves to be of a store");
  SalvageReport report;
  if (removed_may_be_back(*image))
    report.remarks.push_back("the list of free pages is damaged: what had been given up or taken away may be back");
  auto made = fill(fresh, *image, found, report);
  if (made) made = make_sound(fresh, report, mend, prove);
  if (!made) {
    remove_store(fresh);
    return pass_on(made.error());
  }
  std::sort(report.losses.begin(), report.losses.end(),
            [](const SalvageLoss& a, const SalvageLoss& b) { return a.from < b.from; });
  return report;
}

}  // namespace nightwatt::storage
