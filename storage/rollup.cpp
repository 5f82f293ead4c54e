#include "rollup.hpp"

#include <algorithm>
#include <bit>
#include <cmath>

#include "block.hpp"
#include "block_aggregates.hpp"

namespace nightwatt::storage {
namespace {

constexpr unsigned rollup_format = 2, first_rollup_format = 1;  // as a block's
constexpr unsigned flag_reals = 1;                              // doubles instead of whole numbers at a common exponent
constexpr unsigned flag_shown = 2;  // of readings that hold: how long power was shown, in the place of the sum
constexpr double wh_unit = 1e-9;    // energies are kept in nWh: a year of minutes is off by 0.3 mWh at most
constexpr double wh_limit = 9e9;    // beyond, nWh do not fit 64 bits
constexpr double us_per_hour = 3.6e9;

/// One quantity's buckets as columns.
struct BucketColumns {
  std::vector<std::int64_t> index, count, min, max, sum, energy;  ///< with flag_shown `sum` is the time shown
};

std::int64_t bucket_of(std::int64_t time_us, std::int64_t step_us) {
  const std::int64_t whole = time_us / step_us;
  return time_us % step_us < 0 ? whole - 1 : whole;
}

std::int64_t bits_of(double value) {
  return std::bit_cast<std::int64_t>(value);
}
double real_of(std::int64_t bits) {
  return std::bit_cast<double>(bits);
}

/// Energies of the buckets, in their order, by the trapezoids that end in each.
std::vector<double> energies(const Columns& columns, std::int64_t step_us) {
  std::vector<double> found;
  std::int64_t bucket = 0;
  std::size_t previous = columns.size();
  const std::int64_t gap_us = gap_limit_us(columns);
  for (std::size_t row = 0; row < columns.size(); ++row) {
    if (!columns.has(Quantity::power, row)) continue;
    const std::int64_t here = bucket_of(columns.times[row], step_us);
    if (found.empty() || here != bucket) found.push_back(0.0);
    bucket = here;
    if (previous != columns.size() && columns.times[row] - columns.times[previous] <= gap_us)
      found.back() += trapezoid_wh(columns.value(Quantity::power, previous), columns.value(Quantity::power, row),
                                   columns.times[row] - columns.times[previous]);
    previous = row;
  }
  return found;
}

/// As whole numbers at the finest exponent; nothing where they do not fit 64 bits.
std::optional<BucketColumns> whole_buckets(const Columns& columns, Quantity quantity, std::int64_t step_us,
                                           int exponent) {
  const Columns::Column& column = columns.column(quantity);
  BucketColumns out;
  for (std::size_t row = 0; row < columns.size(); ++row) {
    if (column.present[row] == 0) continue;
    const auto value = scaled(column.mantissas[row], column.exponents[row] - exponent);
    if (!value) return std::nullopt;
    const std::int64_t here = bucket_of(columns.times[row], step_us);
    if (out.index.empty() || out.index.back() != here) {
      out.index.push_back(here);
      out.count.push_back(0);
      out.min.push_back(*value);
      out.max.push_back(*value);
      out.sum.push_back(0);
    }
    ++out.count.back();
    out.min.back() = std::min(out.min.back(), *value);
    out.max.back() = std::max(out.max.back(), *value);
    if (__builtin_add_overflow(out.sum.back(), *value, &out.sum.back())) return std::nullopt;
  }
  return out;
}

BucketColumns real_buckets(const Columns& columns, Quantity quantity, std::int64_t step_us) {
  BucketColumns out;
  std::vector<double> min, max, mean;
  for (std::size_t row = 0; row < columns.size(); ++row) {
    if (!columns.has(quantity, row)) continue;
    const double value = columns.value(quantity, row);
    const std::int64_t here = bucket_of(columns.times[row], step_us);
    if (out.index.empty() || out.index.back() != here) {
      out.index.push_back(here);
      out.count.push_back(0);
      min.push_back(value);
      max.push_back(value);
      mean.push_back(0.0);
    }
    ++out.count.back();
    min.back() = std::min(min.back(), value);
    max.back() = std::max(max.back(), value);
    mean.back() += (value - mean.back()) / static_cast<double>(out.count.back());
  }
  for (std::size_t i = 0; i < min.size(); ++i) {
    out.min.push_back(bits_of(min[i]));
    out.max.push_back(bits_of(max[i]));
    out.sum.push_back(bits_of(mean[i]));
  }
  return out;
}

/// What a meter that reports on change showed in one bucket; extremes as the rows that said them.
struct ShownBucket {
  std::int64_t index = 0, count = 0, shown_us = 0;
  std::size_t lowest = 0, highest = 0;
  double energy_wh = 0.0;
};

/// Buckets of power that holds, in the order of time.
class ShownBuckets {
 public:
  ShownBuckets(const Columns& columns, std::int64_t step_us) : columns_(columns), step_us_(step_us) {}

  void add(std::size_t row, std::int64_t until_us) {
    std::int64_t at_us = columns_.times[row];
    ++at(at_us, row).count;
    while (at_us < until_us) {
      ShownBucket& bucket = at(at_us, row);
      const std::int64_t next_us = std::min(until_us, (bucket.index + 1) * step_us_);
      bucket.shown_us += next_us - at_us;
      const double watts = columns_.value(Quantity::power, row);
      bucket.energy_wh += trapezoid_wh(watts, watts, next_us - at_us);
      at_us = next_us;
    }
  }
  [[nodiscard]] const std::vector<ShownBucket>& buckets() const { return buckets_; }

 private:
  ShownBucket& at(std::int64_t time_us, std::size_t row) {
    const std::int64_t index = bucket_of(time_us, step_us_);
    if (buckets_.empty() || buckets_.back().index != index)
      buckets_.push_back({.index = index, .lowest = row, .highest = row});
    ShownBucket& bucket = buckets_.back();
    const double watts = columns_.value(Quantity::power, row);
    if (watts < columns_.value(Quantity::power, bucket.lowest)) bucket.lowest = row;
    if (watts > columns_.value(Quantity::power, bucket.highest)) bucket.highest = row;
    return bucket;
  }

  const Columns& columns_;
  std::int64_t step_us_;
  std::vector<ShownBucket> buckets_;
};

std::vector<ShownBucket> shown_buckets(const Columns& columns, std::int64_t step_us, const Holding& holding) {
  ShownBuckets buckets(columns, step_us);
  std::optional<std::size_t> before;
  const auto hold = [&](std::int64_t next_us) {
    if (!before) return;
    const std::int64_t since_us = columns.times[*before];
    buckets.add(*before, next_us - since_us <= holding.limit_us ? next_us : since_us);
  };
  for (std::size_t row = 0; row < columns.size(); ++row) {
    if (!columns.has(Quantity::power, row)) continue;
    hold(columns.times[row]);
    before = row;
  }
  hold(holding.until_us);
  return buckets.buckets();
}

int finest_exponent(const Columns::Column& column) {
  int finest = 127;
  for (std::size_t row = 0; row < column.present.size(); ++row)
    if (column.present[row] != 0) finest = std::min(finest, static_cast<int>(column.exponents[row]));
  return finest;
}

void put_columns(std::string& out, unsigned flags, int exponent, const BucketColumns& buckets,
                 Compression compression) {
  put_byte(out, flags);
  put_signed(out, exponent);
  put_varint(out, buckets.index.size());
  for (const auto* column : {&buckets.index, &buckets.count, &buckets.min, &buckets.max, &buckets.sum})
    pack_column(out, *column, compression);
  if (!buckets.energy.empty()) pack_column(out, buckets.energy, compression);
}

void put_shown(std::string& out, const Columns& columns, const std::vector<ShownBucket>& shown,
               Compression compression) {
  const Columns::Column& power = columns.column(Quantity::power);
  const int exponent = finest_exponent(power);
  const auto whole = [&](std::size_t row) { return scaled(power.mantissas[row], power.exponents[row] - exponent); };
  const bool fits = std::all_of(shown.begin(), shown.end(), [&](const ShownBucket& bucket) {
    return std::abs(bucket.energy_wh) < wh_limit && whole(bucket.lowest) && whole(bucket.highest);
  });
  const auto number = [&](std::size_t row) {
    return fits ? *whole(row) : bits_of(columns.value(Quantity::power, row));
  };
  BucketColumns out_columns;
  for (const ShownBucket& bucket : shown) {
    out_columns.index.push_back(bucket.index);
    out_columns.count.push_back(bucket.count);
    out_columns.min.push_back(number(bucket.lowest));
    out_columns.max.push_back(number(bucket.highest));
    out_columns.sum.push_back(bucket.shown_us);
    out_columns.energy.push_back(fits ? std::llround(bucket.energy_wh / wh_unit) : bits_of(bucket.energy_wh));
  }
  put_columns(out, flag_shown | (fits ? 0U : flag_reals), exponent, out_columns, compression);
}

void put_quantity(std::string& out, const Columns& columns, Quantity quantity, std::int64_t step_us,
                  Compression compression) {
  const int exponent = finest_exponent(columns.column(quantity));
  std::vector<double> energy_wh;
  if (quantity == Quantity::power) energy_wh = energies(columns, step_us);
  const bool energies_fit =
      std::all_of(energy_wh.begin(), energy_wh.end(), [](double wh) { return std::abs(wh) < wh_limit; });
  std::optional<BucketColumns> buckets;
  if (energies_fit) buckets = whole_buckets(columns, quantity, step_us, exponent);
  const unsigned flags = buckets ? 0 : flag_reals;
  if (!buckets) buckets = real_buckets(columns, quantity, step_us);
  for (const double wh : energy_wh) buckets->energy.push_back(flags == 0 ? std::llround(wh / wh_unit) : bits_of(wh));
  put_columns(out, flags, exponent, *buckets, compression);
}

/// Of what was shown; of a bucket with one reading before a gap, and hardly ever two, their middle.
double shown_mean(const Bucket& bucket) {
  if (*bucket.shown_us == 0) return 0.5 * (bucket.min + bucket.max);
  return *bucket.energy_wh / (static_cast<double>(*bucket.shown_us) / us_per_hour);
}

bool take_quantity(ByteReader& in, Quantity quantity, std::int64_t step_us, std::vector<Bucket>& buckets) {
  const unsigned flags = in.byte();
  const std::int64_t exponent = in.signed_varint();
  const std::uint64_t size = in.varint();
  const bool reals = (flags & flag_reals) != 0, shown = (flags & flag_shown) != 0;
  if (!in.ok() || flags > (flag_reals | flag_shown) || (shown && quantity != Quantity::power) || exponent < -128 ||
      exponent > 127 || size == 0 || size > block_readings_limit)
    return false;
  const auto count = static_cast<std::size_t>(size);
  BucketColumns columns;
  for (auto* column : {&columns.index, &columns.count, &columns.min, &columns.max, &columns.sum})
    *column = unpack_column(in, count);
  if (quantity == Quantity::power) columns.energy = unpack_column(in, count);
  if (!in.ok()) return false;
  for (std::size_t i = 0; i < count; ++i) {
    if (columns.count[i] < (shown ? 0 : 1) || columns.index[i] > highest_time_us / step_us ||
        columns.index[i] < lowest_time_us / step_us - 1 || (i > 0 && columns.index[i] <= columns.index[i - 1]))
      return false;
    const auto number = [&](std::int64_t stored) {
      return reals ? real_of(stored) : decimal_value(stored, static_cast<int>(exponent));
    };
    Bucket bucket;
    bucket.begin_us = columns.index[i] * step_us;
    bucket.count = columns.count[i];
    bucket.min = number(columns.min[i]);
    bucket.max = number(columns.max[i]);
    if (quantity == Quantity::power)
      bucket.energy_wh = reals ? real_of(columns.energy[i]) : static_cast<double>(columns.energy[i]) * wh_unit;
    if (shown) {
      bucket.shown_us = columns.sum[i];
      if (*bucket.shown_us < 0 || *bucket.shown_us > step_us) return false;
      bucket.mean = shown_mean(bucket);
    } else {
      bucket.mean = reals ? number(columns.sum[i]) : number(columns.sum[i]) / static_cast<double>(bucket.count);
    }
    buckets.push_back(bucket);
  }
  return true;
}

}  // namespace

std::string encode_rollup(const Columns& columns, std::int64_t step_s, Compression compression,
                          std::optional<Holding> holding) {
  std::string out;
  put_byte(out, rollup_format);
  unsigned carried = 0;
  for (std::size_t q = 0; q < quantity_count; ++q)
    if (columns.columns[q].count != 0) carried |= 1U << q;
  put_varint(out, carried);
  const std::int64_t step_us = step_s * 1'000'000;
  for (const Quantity quantity : all_quantities) {
    if (columns.column(quantity).count == 0) continue;
    if (quantity == Quantity::power && holding)
      put_shown(out, columns, shown_buckets(columns, step_us, *holding), compression);
    else
      put_quantity(out, columns, quantity, step_us, compression);
  }
  put_crc(out);
  return out;
}

Result<Buckets> decode_rollup(std::string_view bytes, std::int64_t step_s) {
  const auto bad = [] { return fail(ErrorKind::unusable, "minutes and hours of old readings are damaged"); };
  const std::optional<std::string_view> content = checked_content(bytes);
  if (!content) return bad();
  ByteReader in(*content);
  if (const unsigned format = in.byte(); format < first_rollup_format || format > rollup_format) return bad();
  const std::uint64_t carried = in.varint();
  if (!in.ok() || (carried >> quantity_count) != 0) return bad();
  Buckets buckets;
  for (std::size_t q = 0; q < quantity_count; ++q)
    if ((carried & (1U << q)) != 0 && !take_quantity(in, all_quantities[q], step_s * 1'000'000, buckets[q]))
      return bad();
  if (!in.at_end()) return bad();
  return buckets;
}

}  // namespace nightwatt::storage
