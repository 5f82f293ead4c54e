// What is left of readings that gave way to minutes and hours, read.
#include <algorithm>

#include "reader_impl.hpp"
#include "seal.hpp"
#include "tally.hpp"

namespace nightwatt::storage {

// A block may have none: of a slow meter there are no minutes, and at the limit of size the oldest go.
void StoreReader::Impl::must_have_all_rollups(StreamId stream) {
  if (counted_rollups.contains(stream)) return;
  must_be_all_there(*database, Table::rollup, stream);
  if (snapshots > 0) counted_rollups.insert(stream);
}

Result<Buckets> StoreReader::Impl::buckets(StreamId stream, const BlockRow& block, std::int64_t step_s) {
  Query row = database->query("SELECT bytes, " NIGHTWATT_SOUND(
      NIGHTWATT_ROLLUP_SEAL) " FROM rollup WHERE stream = ?1 AND block_us = ?2 AND step_s = ?3");
  row.bind(1, stream).bind(2, block.first_us).bind(3, step_s);
  if (!row.step()) {
    must_have_all_rollups(stream);
    return Buckets{};
  }
  row.must_be_sound(1, "what is left of a block of readings by minutes or hours");
  Result<Buckets> buckets = decode_rollup(row.blob(0), step_s);
  if (!buckets) return fail(ErrorKind::unusable, database->path() + ": " + buckets.error().message + "; " + to_mend);
  return buckets;
}

Result<void> StoreReader::Impl::add_rolled(BlockAggregates& total, StreamId stream, Quantity quantity,
                                           const BlockRow& block, std::int64_t from_us, std::int64_t to_us) {
  for (const std::int64_t step_s : {minute_s, hour_s}) {
    const Result<Buckets> all = buckets(stream, block, step_s);
    if (!all) return pass_on(all.error());
    const std::vector<Bucket>& list = (*all)[static_cast<std::size_t>(quantity)];
    if (list.empty()) continue;
    const std::int64_t step_us = step_s * 1'000'000;
    for (const Bucket& bucket : list) {
      if (bucket.begin_us < from_us || bucket.begin_us + step_us - 1 > to_us) continue;
      BlockAggregates part;
      part.count = bucket.count;
      part.first_us = std::max(bucket.begin_us, block.first_us);
      part.last_us = std::min(bucket.begin_us + step_us - 1, block.last_us);
      part.first = part.last = part.mean = bucket.mean;
      part.min = bucket.min;
      part.max = bucket.max;
      part.energy_wh = bucket.energy_wh;
      // A bucket's energy reaches back to the reading before it: there is no hole to bridge.
      add(total, part, quantity, 0);
    }
    return {};
  }
  return {};
}

Result<std::int64_t> StoreReader::Impl::count_rolled(StreamId stream, const BlockRow& block, std::int64_t from_us,
                                                     std::int64_t to_us) {
  std::int64_t most = 0;
  for (const Quantity quantity : all_quantities) {
    BlockAggregates aggregates;
    if (auto added = add_rolled(aggregates, stream, quantity, block, from_us, to_us); !added)
      return pass_on(added.error());
    most = std::max(most, aggregates.count);
  }
  return most;
}

namespace {

Rollup rollup_of(const Bucket& bucket, std::int64_t step_s) {
  Rollup rollup{UtcTime{bucket.begin_us},
                Duration(step_s * 1'000'000),
                bucket.count,
                bucket.min,
                bucket.mean,
                bucket.max,
                bucket.energy_wh,
                std::nullopt};
  if (bucket.shown_us) rollup.shown = Duration(*bucket.shown_us);
  return rollup;
}

}  // namespace

Result<std::vector<Rollup>> StoreReader::Impl::finest_rollups(StreamId stream, Quantity quantity,
                                                              const BlockRow& block) {
  std::vector<Rollup> found;
  for (const std::int64_t step_s : {minute_s, hour_s}) {
    const Result<Buckets> all = buckets(stream, block, step_s);
    if (!all) return pass_on(all.error());
    for (const Bucket& bucket : (*all)[static_cast<std::size_t>(quantity)]) found.push_back(rollup_of(bucket, step_s));
    if (!found.empty()) break;
  }
  return found;
}

Result<void> StoreReader::rollups(StreamId stream, Quantity quantity, RollupStep step, UtcTime from, UtcTime to,
                                  const std::function<bool(const Rollup&)>& visit) const {
  const Result<Snapshot> moment = snapshot();
  if (!moment) return pass_on(moment.error());
  const std::int64_t step_s = step == RollupStep::minute ? minute_s : hour_s;
  return impl_->database->guarded([&]() -> Result<void> {
    if (!impl_->visible(stream)) return {};
    for (const BlockRow& block : impl_->blocks(stream, from.us, to.us)) {
      if (block.data) continue;
      const Result<Buckets> all = impl_->buckets(stream, block, step_s);
      if (!all) return pass_on(all.error());
      for (const Bucket& bucket : (*all)[static_cast<std::size_t>(quantity)]) {
        if (bucket.begin_us < from.us || bucket.begin_us > to.us) continue;
        if (!visit(rollup_of(bucket, step_s))) return {};
      }
    }
    return {};
  });
}

Result<bool> StoreReader::raw_is_whole(StreamId stream, UtcTime from, UtcTime to) const {
  const Result<Snapshot> moment = snapshot();
  if (!moment) return pass_on(moment.error());
  return impl_->database->guarded([&]() -> Result<bool> {
    const std::vector<BlockRow> found = impl_->blocks(stream, from.us, to.us);
    return std::all_of(found.begin(), found.end(), [](const BlockRow& block) { return block.data.has_value(); });
  });
}

}  // namespace nightwatt::storage
