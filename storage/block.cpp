#include "block.hpp"

#include <algorithm>
#include <optional>
#include <vector>

namespace nightwatt::storage {
namespace {

constexpr unsigned block_format = 2, first_block_format = 1;  // a reader of the first knows fewer forms of columns
constexpr std::array<std::int64_t, 3> time_units = {1'000'000, 1'000, 1};  // us

enum class TimeMethod : std::uint8_t { steps = 0, grid = 1 };
constexpr unsigned grid_fraction_bits = 16;
// Times of a grid are computed as (index * step) in 64 bits with 16 fraction bits.
constexpr std::int64_t grid_span_limit = std::int64_t{1} << 46U;

tl::unexpected<Error> bad_block(const char* what) {
  return fail(ErrorKind::unusable, std::string("a block of readings is damaged: ") + what);
}

// ---- times

std::int64_t unit_of(std::span<const std::int64_t> times) {
  for (const std::int64_t unit : time_units)
    if (std::all_of(times.begin(), times.end(), [&](std::int64_t t) { return (t - times.front()) % unit == 0; }))
      return unit;
  return 1;
}

std::int64_t median_step(std::span<const std::int64_t> offsets) {
  std::vector<std::int64_t> steps;
  steps.reserve(offsets.size());
  for (std::size_t i = 1; i < offsets.size(); ++i) steps.push_back(offsets[i] - offsets[i - 1]);
  const auto middle = steps.begin() + static_cast<std::ptrdiff_t>(steps.size() / 2);
  std::nth_element(steps.begin(), middle, steps.end());
  return *middle;
}

/// Each step against the usual one: best where lateness adds up.
std::string pack_steps(std::span<const std::int64_t> offsets, std::int64_t step, Compression compression) {
  std::vector<std::int64_t> rest;
  rest.reserve(offsets.size());
  for (std::size_t i = 1; i < offsets.size(); ++i) rest.push_back(offsets[i] - offsets[i - 1] - step);
  std::string out;
  put_byte(out, static_cast<unsigned>(TimeMethod::steps));
  put_signed(out, step);
  pack_column(out, rest, compression);
  return out;
}

std::int64_t grid_offset(std::int64_t index, std::int64_t fixed_step) {
  const std::uint64_t product = static_cast<std::uint64_t>(index) * static_cast<std::uint64_t>(fixed_step);
  return static_cast<std::int64_t>(product) >> grid_fraction_bits;
}

/// Each time against an even grid: best where the meter is asked on a schedule and only the answer is late.
std::optional<std::string> pack_grid(std::span<const std::int64_t> offsets, std::int64_t step,
                                     Compression compression) {
  if (step < 1 || offsets.back() >= grid_span_limit) return std::nullopt;
  // Count the grid's lines with the usual step first, then make the step fit the whole span.
  std::int64_t lines = 0;
  for (std::size_t i = 1; i < offsets.size(); ++i)
    lines += std::max<std::int64_t>(1, (offsets[i] - offsets[i - 1] + step / 2) / step);
  const std::int64_t fixed_step = (offsets.back() << grid_fraction_bits) / lines;
  if (fixed_step < (std::int64_t{1} << grid_fraction_bits)) return std::nullopt;
  std::vector<std::int64_t> skips;
  std::vector<std::int64_t> rest;
  std::int64_t index = 0;
  for (std::size_t i = 1; i < offsets.size(); ++i) {
    const std::int64_t here = ((offsets[i] << grid_fraction_bits) + fixed_step / 2) / fixed_step;
    skips.push_back(here - index - 1);
    rest.push_back(offsets[i] - grid_offset(here, fixed_step));
    index = here;
  }
  std::string out;
  put_byte(out, static_cast<unsigned>(TimeMethod::grid));
  put_signed(out, fixed_step);
  pack_column(out, skips, compression);
  pack_column(out, rest, compression);
  return out;
}

void put_times(std::string& out, std::span<const std::int64_t> times, Compression compression) {
  const std::int64_t unit = unit_of(times);
  put_signed(out, times.front());
  put_byte(out, static_cast<unsigned>(std::find(time_units.begin(), time_units.end(), unit) - time_units.begin()));
  if (times.size() == 1) return;
  std::vector<std::int64_t> offsets;
  offsets.reserve(times.size());
  for (const std::int64_t time : times) offsets.push_back((time - times.front()) / unit);
  const std::int64_t step = median_step(offsets);
  std::string best = pack_steps(offsets, step, compression);
  constexpr std::size_t already_nothing = 24;
  if (best.size() > already_nothing)
    if (std::optional<std::string> grid = pack_grid(offsets, step, compression); grid && grid->size() < best.size())
      best = std::move(*grid);
  out += best;
}

bool take_offsets(ByteReader& in, std::size_t count, std::vector<std::int64_t>& offsets) {
  const auto method = static_cast<TimeMethod>(in.byte());
  const std::int64_t step = in.signed_varint();
  offsets.assign(1, 0);
  if (method == TimeMethod::steps) {
    const std::vector<std::int64_t> rest = unpack_column(in, count - 1);
    if (!in.ok()) return false;
    for (const std::int64_t r : rest) offsets.push_back(wrapping_plus(wrapping_plus(offsets.back(), step), r));
    return true;
  }
  if (method != TimeMethod::grid) return false;
  const std::vector<std::int64_t> skips = unpack_column(in, count - 1);
  const std::vector<std::int64_t> rest = unpack_column(in, count - 1);
  if (!in.ok()) return false;
  std::int64_t index = 0;
  for (std::size_t i = 0; i < rest.size(); ++i) {
    index = wrapping_plus(wrapping_plus(index, 1), skips[i]);
    offsets.push_back(wrapping_plus(grid_offset(index, step), rest[i]));
  }
  return true;
}

bool take_times(ByteReader& in, std::size_t count, std::vector<std::int64_t>& times) {
  const std::int64_t first = in.signed_varint();
  const std::size_t unit_index = in.byte();
  if (!in.ok() || unit_index >= time_units.size() || first < lowest_time_us || first > highest_time_us) return false;
  const std::int64_t unit = time_units[unit_index];
  std::vector<std::int64_t> offsets{0};
  if (count > 1 && !take_offsets(in, count, offsets)) return false;
  times.reserve(count);
  const std::int64_t most = (highest_time_us - first) / unit;
  for (std::size_t i = 0; i < count; ++i) {
    if (offsets[i] < 0 || offsets[i] > most || (i > 0 && offsets[i] <= offsets[i - 1])) return false;
    times.push_back(first + offsets[i] * unit);
  }
  return true;
}

// ---- quantities

// What stands before a quantity's values.
constexpr unsigned flag_gaps = 1;             // a presence column follows
constexpr unsigned flag_mixed_exponents = 2;  // an exponent column follows
constexpr unsigned flag_unscaled = 4;         // mantissas as they are, not at the common exponent

void put_quantity(std::string& out, const Columns::Column& column, Compression compression) {
  std::vector<std::int64_t> mantissas;
  std::vector<std::int64_t> exponents;
  for (std::size_t i = 0; i < column.present.size(); ++i) {
    if (column.present[i] == 0) continue;
    mantissas.push_back(column.mantissas[i]);
    exponents.push_back(column.exponents[i]);
  }
  const auto [lowest, highest] = std::minmax_element(exponents.begin(), exponents.end());
  const std::int64_t common = *lowest;
  unsigned flags = 0;
  if (column.count != column.present.size()) flags |= flag_gaps;
  if (common != *highest) {
    flags |= flag_mixed_exponents;
    std::vector<std::int64_t> at_common;
    for (std::size_t i = 0; i < mantissas.size() && (flags & flag_unscaled) == 0; ++i) {
      const auto value = scaled(mantissas[i], static_cast<int>(exponents[i] - common));
      if (value)
        at_common.push_back(*value);
      else
        flags |= flag_unscaled;
    }
    if ((flags & flag_unscaled) == 0) mantissas = std::move(at_common);
  }
  put_byte(out, flags);
  put_signed(out, common);
  if ((flags & flag_gaps) != 0)
    pack_column(out, std::vector<std::int64_t>(column.present.begin(), column.present.end()), compression);
  if ((flags & flag_mixed_exponents) != 0) {
    for (std::int64_t& exponent : exponents) exponent -= common;
    pack_column(out, exponents, compression);
  }
  pack_column(out, mantissas, compression);
}

bool take_presence(ByteReader& in, unsigned flags, std::size_t rows, Columns::Column& column) {
  column.present.assign(rows, 1);
  column.count = rows;
  if ((flags & flag_gaps) == 0) return true;
  const std::vector<std::int64_t> present = unpack_column(in, rows);
  if (!in.ok()) return false;
  column.count = 0;
  for (std::size_t i = 0; i < rows; ++i) {
    if (present[i] != 0 && present[i] != 1) return false;
    column.present[i] = static_cast<std::uint8_t>(present[i]);
    column.count += column.present[i];
  }
  return column.count > 0;
}

bool take_quantity(ByteReader& in, std::size_t rows, Columns::Column& column) {
  const unsigned flags = in.byte();
  const std::int64_t common = in.signed_varint();
  if (!in.ok() || flags > 7 || common < -128 || common > 127 || !take_presence(in, flags, rows, column)) return false;
  std::vector<std::int64_t> places(column.count, 0);
  if ((flags & flag_mixed_exponents) != 0) places = unpack_column(in, column.count);
  const std::vector<std::int64_t> mantissas = unpack_column(in, column.count);
  if (!in.ok()) return false;
  column.mantissas.assign(rows, 0);
  column.exponents.assign(rows, 0);
  std::size_t next = 0;
  for (std::size_t i = 0; i < rows; ++i) {
    if (column.present[i] == 0) continue;
    const std::int64_t place = places[next];
    if (place < 0 || place > 127 - common) return false;
    std::int64_t mantissa = mantissas[next++];
    if ((flags & flag_unscaled) == 0)
      for (std::int64_t p = 0; p < place; ++p) {
        if (mantissa % 10 != 0) return false;
        mantissa /= 10;
      }
    column.mantissas[i] = mantissa;
    column.exponents[i] = static_cast<std::int8_t>(common + place);
  }
  return true;
}

}  // namespace

std::string encode_block(const Columns& columns, Compression compression) {
  std::string out;
  put_byte(out, block_format);
  put_varint(out, columns.size());
  put_times(out, columns.times, compression);
  unsigned carried = 0;
  for (std::size_t q = 0; q < quantity_count; ++q)
    if (columns.columns[q].count != 0) carried |= 1U << q;
  put_varint(out, carried);
  for (const Columns::Column& column : columns.columns)
    if (column.count != 0) put_quantity(out, column, compression);
  put_crc(out);
  return out;
}

Result<Columns> decode_block(std::string_view bytes) {
  if (bytes.empty()) return bad_block("it is empty");
  const unsigned format = static_cast<unsigned char>(bytes.front());
  if (format < first_block_format || format > block_format) return bad_block("its format is not known here");
  const std::optional<std::string_view> content = checked_content(bytes);
  if (!content || content->empty()) return bad_block("its checksum is wrong");

  ByteReader in(content->substr(1));
  const std::uint64_t count = in.varint();
  if (!in.ok() || count == 0 || count > block_readings_limit) return bad_block("its number of readings is absurd");
  Columns columns;
  if (!take_times(in, static_cast<std::size_t>(count), columns.times)) return bad_block("its times do not decode");
  const std::uint64_t carried = in.varint();
  if (!in.ok() || (carried >> quantity_count) != 0) return bad_block("it names unknown quantities");
  for (std::size_t q = 0; q < quantity_count; ++q)
    if ((carried & (1U << q)) != 0 && !take_quantity(in, columns.size(), columns.columns[q]))
      return bad_block("its values do not decode");
  if (!in.at_end()) return bad_block("it has bytes to spare");
  return columns;
}

// ---- tail rows

bool TailEncoder::push(const Reading& reading) {
  const std::size_t size = bytes_.size();
  const State before = state_;
  write(reading);
  if (bytes_.size() <= row_bytes_limit || size == 0) return true;
  bytes_.resize(size);
  state_ = before;
  return false;
}

void TailEncoder::write(const Reading& reading) {
  Shape shape;
  shape.present = reading.values.present();
  for (const Quantity quantity : all_quantities)
    if (const auto value = reading.values.get(quantity))
      shape.exponents[static_cast<std::size_t>(quantity)] = value->exponent;
  const bool first = bytes_.empty();
  const bool same_shape = !first && shape == state_.shape;
  if (first) {
    put_signed(bytes_, reading.time.us);
    state_.last_time = reading.time.us;
  }
  const std::int64_t step = reading.time.us - state_.last_time;
  put_varint(bytes_, zigzag(step - state_.last_step) << 1U | (same_shape ? 0U : 1U));
  if (!same_shape) {
    put_varint(bytes_, shape.present);
    for (std::size_t q = 0; q < quantity_count; ++q)
      if ((shape.present & (1U << q)) != 0) put_signed(bytes_, shape.exponents[q]);
  }
  for (const Quantity quantity : all_quantities) {
    const auto value = reading.values.get(quantity);
    if (!value) continue;
    std::int64_t& last = state_.last_mantissas[static_cast<std::size_t>(quantity)];
    put_signed(bytes_, wrapping_minus(value->mantissa, last));
    last = value->mantissa;
  }
  state_.shape = shape;
  state_.last_time = reading.time.us;
  state_.last_step = step;
}

bool decode_write_buffer(std::string_view bytes, Columns& into) {
  ByteReader in(bytes);
  TailEncoder::State state;
  state.last_time = in.signed_varint();
  if (!in.ok() || state.last_time < lowest_time_us || state.last_time > highest_time_us) return false;
  for (bool first = true; first || !in.at_end(); first = false) {
    const std::uint64_t head = in.varint();
    state.last_step = wrapping_plus(state.last_step, unzigzag(head >> 1U));
    // A step out of this range cannot come from two times in range; checked before the sum can overflow.
    if (!in.ok() || state.last_step < 0 || state.last_step > highest_time_us - state.last_time) return false;
    if (first ? (state.last_step != 0 || (head & 1U) == 0) : state.last_step == 0) return false;
    state.last_time += state.last_step;
    if ((head & 1U) != 0) {
      const std::uint64_t present = in.varint();
      if (!in.ok() || (present >> quantity_count) != 0) return false;
      state.shape = {};
      state.shape.present = static_cast<std::uint16_t>(present);
      for (std::size_t q = 0; q < quantity_count; ++q) {
        if ((present & (1U << q)) == 0) continue;
        const std::int64_t exponent = in.signed_varint();
        if (!in.ok() || exponent < -128 || exponent > 127) return false;
        state.shape.exponents[q] = static_cast<std::int8_t>(exponent);
      }
    }
    Reading reading;
    reading.time.us = state.last_time;
    for (const Quantity quantity : all_quantities) {
      const auto q = static_cast<std::size_t>(quantity);
      if ((state.shape.present & (1U << q)) == 0) continue;
      state.last_mantissas[q] = wrapping_plus(state.last_mantissas[q], in.signed_varint());
      reading.values.set(quantity, Decimal{state.last_mantissas[q], state.shape.exponents[q]});
    }
    if (!in.ok() || (!into.empty() && reading.time.us <= into.times.back())) return false;
    into.push(reading);
  }
  return true;
}

}  // namespace nightwatt::storage
