#include "packing.hpp"

#include <zstd.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <memory>
#include <new>

namespace nightwatt::storage {
namespace {

// The four ways to write a column; docs/format.md has the bytes.
enum class Method : std::uint8_t { constant = 0, offsets = 1, differences = 2, runs = 3 };

struct CompressFree {
  void operator()(ZSTD_CCtx* context) const { ZSTD_freeCCtx(context); }
};

/// A Zstandard frame; empty where there is none.
std::string frame_of(ZSTD_CCtx* context, std::string_view bytes) {
  ZSTD_CCtx_setParameter(context, ZSTD_c_contentSizeFlag, 0);  // the reader knows it
  std::string out(ZSTD_compressBound(bytes.size()), '\0');
  const std::size_t size = ZSTD_compress2(context, out.data(), out.size(), bytes.data(), bytes.size());
  out.resize(ZSTD_isError(size) != 0 ? 0 : size);
  return out;
}

/// Noise in few digits repeats by chance, and a search for repeats makes it longer than its digits' own frequencies do:
/// with repeats of seven bytes at least there are hardly any, and what is left is a code for single bytes.
std::string frame_without_repeats(ZSTD_CCtx* context, std::string_view bytes) {
  ZSTD_CCtx_reset(context, ZSTD_reset_session_and_parameters);
  ZSTD_CCtx_setParameter(context, ZSTD_c_compressionLevel, 1);
  ZSTD_CCtx_setParameter(context, ZSTD_c_strategy, ZSTD_fast);
  ZSTD_CCtx_setParameter(context, ZSTD_c_minMatch, 7);
  return frame_of(context, bytes);
}

/// Compressed bytes, or an empty string where compression does not pay.
std::string compressed(std::string_view bytes, Effort effort) {
  constexpr std::size_t not_worth_trying = 16;  // a frame alone costs about ten bytes
  constexpr std::size_t hardly_repeats = 8;     // a frame longer than this part of the bytes is mostly single bytes
  if (bytes.size() < not_worth_trying) return {};
  const std::unique_ptr<ZSTD_CCtx, CompressFree> context(ZSTD_createCCtx());
  if (!context) throw std::bad_alloc();
  ZSTD_CCtx_setParameter(context.get(), ZSTD_c_compressionLevel, effort.zstd_level);
  std::string out = frame_of(context.get(), bytes);
  if (out.size() > bytes.size() / hardly_repeats) {
    std::string other = frame_without_repeats(context.get(), bytes);
    if (!other.empty() && other.size() < out.size()) out = std::move(other);
  }
  if (out.size() >= bytes.size()) return {};
  return out;
}

/// `size` bytes as they are or compressed: varint of the compressed size (0: as they are), then the bytes.
void put_packed(std::string& out, std::string_view bytes, Effort effort) {
  const std::string frame = compressed(bytes, effort);
  put_varint(out, frame.size());
  out += frame.empty() ? bytes : std::string_view(frame);
}

std::string take_packed(ByteReader& in, std::size_t size) {
  const std::uint64_t frame_size = in.varint();
  if (frame_size == 0) return std::string(in.take(size));
  const std::string_view frame = in.take(frame_size);
  if (!in.ok()) return {};
  std::string out(size, '\0');
  const std::size_t got = ZSTD_decompress(out.data(), out.size(), frame.data(), frame.size());
  if (ZSTD_isError(got) != 0 || got != size) {
    in.set_bad();
    return {};
  }
  return out;
}

unsigned bytes_for(std::uint64_t value) {
  unsigned count = 1;
  while (count < 8 && (value >> (8 * count)) != 0) ++count;
  return count;
}

/// All lowest bytes, then all second-lowest, and so on: bytes of like meaning beside each other.
void put_planes(std::string& planes, std::span<const std::uint64_t> values, unsigned width) {
  for (unsigned plane = 0; plane < width; ++plane)
    for (const std::uint64_t value : values) put_byte(planes, static_cast<unsigned>((value >> (8 * plane)) & 0xFFU));
}

std::uint64_t from_planes(std::string_view planes, std::size_t count, unsigned width, std::size_t index) {
  std::uint64_t value = 0;
  for (unsigned plane = 0; plane < width; ++plane)
    value |= static_cast<std::uint64_t>(static_cast<std::uint8_t>(planes[plane * count + index])) << (8 * plane);
  return value;
}

/// What an order-0 coder would need for the byte planes of these values: good enough to choose a method by.
double estimated_bytes(std::span<const std::uint64_t> values, unsigned width) {
  double bits = 0.0;
  for (unsigned plane = 0; plane < width; ++plane) {
    std::array<std::uint32_t, 256> counts{};
    for (const std::uint64_t value : values) ++counts[(value >> (8 * plane)) & 0xFFU];
    const auto total = static_cast<double>(values.size());
    for (const std::uint32_t count : counts)
      if (count != 0) bits += static_cast<double>(count) * std::log2(total / static_cast<double>(count));
  }
  return bits / 8.0;
}

struct Runs {
  std::vector<std::uint64_t> lengths;  ///< of each run but the last, less one
  std::vector<std::uint64_t> steps;    ///< zigzag difference to the next run
};

Runs find_runs(std::span<const std::int64_t> values) {
  Runs runs;
  std::size_t begin = 0;
  for (std::size_t i = 1; i < values.size(); ++i) {
    if (values[i] == values[i - 1]) continue;
    runs.lengths.push_back(i - begin - 1);
    runs.steps.push_back(zigzag(wrapping_minus(values[i], values[i - 1])));
    begin = i;
  }
  return runs;
}

unsigned width_of(std::span<const std::uint64_t> values) {
  std::uint64_t all = 0;
  for (const std::uint64_t value : values) all |= value;
  return bytes_for(all);
}

void put_method(std::string& out, Method method) {
  put_byte(out, static_cast<unsigned>(method));
}

void put_fixed(std::string& out, Method method, std::int64_t base, std::span<const std::uint64_t> values,
               unsigned width, Effort effort) {
  put_method(out, method);
  put_signed(out, base);
  put_byte(out, width);
  std::string planes;
  planes.reserve(values.size() * width);
  put_planes(planes, values, width);
  put_packed(out, planes, effort);
}

void put_runs(std::string& out, std::int64_t first, const Runs& runs, Effort effort) {
  const unsigned length_width = width_of(runs.lengths);
  const unsigned step_width = width_of(runs.steps);
  put_method(out, Method::runs);
  put_signed(out, first);
  put_varint(out, runs.steps.size());
  put_byte(out, length_width);
  put_byte(out, step_width);
  std::string planes;
  put_planes(planes, runs.lengths, length_width);
  put_packed(out, planes, effort);
  planes.clear();
  put_planes(planes, runs.steps, step_width);
  put_packed(out, planes, effort);
}

std::vector<std::int64_t> take_fixed(ByteReader& in, Method method, std::size_t count) {
  const std::int64_t base = in.signed_varint();
  const unsigned width = in.byte();
  const std::size_t stored = method == Method::offsets ? count : count - 1;
  if (!in.ok() || width < 1 || width > 8) {
    in.set_bad();
    return {};
  }
  const std::string planes = take_packed(in, stored * width);
  if (!in.ok()) return {};
  std::vector<std::int64_t> values;
  values.reserve(count);
  if (method == Method::differences) values.push_back(base);
  for (std::size_t i = 0; i < stored; ++i) {
    const std::uint64_t raw = from_planes(planes, stored, width, i);
    values.push_back(method == Method::offsets ? wrapping_plus(base, static_cast<std::int64_t>(raw))
                                               : wrapping_plus(values.back(), unzigzag(raw)));
  }
  return values;
}

std::vector<std::int64_t> take_runs(ByteReader& in, std::size_t count) {
  std::int64_t value = in.signed_varint();
  const std::uint64_t changes = in.varint();
  const unsigned length_width = in.byte();
  const unsigned step_width = in.byte();
  if (!in.ok() || changes >= count || length_width < 1 || length_width > 8 || step_width < 1 || step_width > 8) {
    in.set_bad();
    return {};
  }
  const auto change_count = static_cast<std::size_t>(changes);
  const std::string lengths = take_packed(in, change_count * length_width);
  const std::string steps = take_packed(in, change_count * step_width);
  if (!in.ok()) return {};
  std::vector<std::int64_t> values;
  values.reserve(count);
  for (std::size_t i = 0; i < change_count; ++i) {
    const std::uint64_t length = from_planes(lengths, change_count, length_width, i);
    if (length >= count - values.size()) {  // the last run needs one more at least
      in.set_bad();
      return {};
    }
    values.insert(values.end(), static_cast<std::size_t>(length) + 1, value);
    value = wrapping_plus(value, unzigzag(from_planes(steps, change_count, step_width, i)));
  }
  if (values.size() >= count) {
    in.set_bad();
    return {};
  }
  values.resize(count, value);
  return values;
}

}  // namespace

void pack_column(std::string& out, std::span<const std::int64_t> values, Effort effort) {
  const Runs runs = find_runs(values);
  if (runs.steps.empty()) {
    put_method(out, Method::constant);
    put_signed(out, values.empty() ? 0 : values.front());
    return;
  }
  // Where more than half of the neighbours differ, runs cannot win.
  const double run_bytes =
      runs.steps.size() * 2 > values.size()
          ? 1e300
          : estimated_bytes(runs.lengths, width_of(runs.lengths)) + estimated_bytes(runs.steps, width_of(runs.steps));
  if (runs.steps.size() * 16 < values.size()) return put_runs(out, values.front(), runs, effort);

  const std::int64_t lowest = *std::min_element(values.begin(), values.end());
  std::vector<std::uint64_t> offsets;
  offsets.reserve(values.size());
  for (const std::int64_t value : values) offsets.push_back(static_cast<std::uint64_t>(wrapping_minus(value, lowest)));
  std::vector<std::uint64_t> differences;
  differences.reserve(values.size());
  for (std::size_t i = 1; i < values.size(); ++i)
    differences.push_back(zigzag(wrapping_minus(values[i], values[i - 1])));
  const unsigned offset_width = width_of(offsets);
  const unsigned difference_width = width_of(differences);
  const double offset_bytes = estimated_bytes(offsets, offset_width);
  const double difference_bytes = estimated_bytes(differences, difference_width);
  if (run_bytes < std::min(offset_bytes, difference_bytes)) return put_runs(out, values.front(), runs, effort);
  if (offset_bytes <= difference_bytes) return put_fixed(out, Method::offsets, lowest, offsets, offset_width, effort);
  put_fixed(out, Method::differences, values.front(), differences, difference_width, effort);
}

std::vector<std::int64_t> unpack_column(ByteReader& in, std::size_t count) {
  const std::uint8_t method = in.byte();
  if (!in.ok() || count == 0) {
    in.set_bad();
    return {};
  }
  switch (static_cast<Method>(method)) {
    case Method::constant: {
      const std::int64_t value = in.signed_varint();
      return std::vector<std::int64_t>(in.ok() ? count : 0, value);
    }
    case Method::offsets:
    case Method::differences:
      return take_fixed(in, static_cast<Method>(method), count);
    case Method::runs:
      return take_runs(in, count);
  }
  in.set_bad();
  return {};
}

std::string squeeze(std::string_view bytes, Effort effort) {
  std::string out;
  put_varint(out, bytes.size());
  put_packed(out, bytes, effort);
  return out;
}

std::string unsqueeze(ByteReader& in, std::size_t limit) {
  const std::uint64_t size = in.varint();
  if (!in.ok() || size > limit) {
    in.set_bad();
    return {};
  }
  return take_packed(in, static_cast<std::size_t>(size));
}

}  // namespace nightwatt::storage
