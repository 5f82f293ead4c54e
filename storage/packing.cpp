#include "packing.hpp"

#include <zstd.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <memory>
#include <new>
#include <numeric>
#include <optional>
#include <utility>

#include "entropy.hpp"

namespace nightwatt::storage {
namespace {

// The ways to write a column; docs/format.md has the bytes. `byte_runs` is of older programs.
enum class Method : std::uint8_t { constant = 0, offsets = 1, differences = 2, byte_runs = 3, guessed = 4, runs = 5 };

void put_flat_column(std::string& out, std::span<const std::int64_t> values, Compression compression);
std::vector<std::int64_t> take_flat_column(ByteReader& in, std::size_t count);

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
std::string compressed(std::string_view bytes, Compression compression) {
  constexpr std::size_t not_worth_trying = 16;  // a frame alone costs about ten bytes
  constexpr std::size_t hardly_repeats = 8;     // a frame longer than this part of the bytes is mostly single bytes
  if (bytes.size() < not_worth_trying) return {};
  const std::unique_ptr<ZSTD_CCtx, CompressFree> context(ZSTD_createCCtx());
  if (!context) throw std::bad_alloc();
  ZSTD_CCtx_setParameter(context.get(), ZSTD_c_compressionLevel, compression.zstd_level);
  std::string out = frame_of(context.get(), bytes);
  if (out.size() > bytes.size() / hardly_repeats) {
    std::string other = frame_without_repeats(context.get(), bytes);
    if (!other.empty() && other.size() < out.size()) out = std::move(other);
  }
  if (out.size() >= bytes.size()) return {};
  return out;
}

/// `size` bytes as they are or compressed: varint of the compressed size (0: as they are), then the bytes.
void put_packed(std::string& out, std::string_view bytes, Compression compression) {
  const std::string frame = compressed(bytes, compression);
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

void put_method(std::string& out, Method method) {
  put_byte(out, static_cast<unsigned>(method));
}

/// How the next number of a column is guessed: a step from the level so far, which follows each number by a part of its
/// distance, 2^-shift. With shift 0 the level is the number before; noise about a level takes a mean of many.
struct Guess {
  static constexpr unsigned fixed = 15;  ///< the level stays
  std::int64_t level = 0;
  std::int64_t step = 0;
  unsigned shift = 0;
};

class Guesser {
 public:
  explicit Guesser(const Guess& guess)
      : step_(guess.step),
        shift_(guess.shift == Guess::fixed ? 0 : guess.shift),
        moves_(guess.shift != Guess::fixed),
        scaled_(static_cast<std::uint64_t>(guess.level) << shift_) {}
  [[nodiscard]] std::int64_t next() const { return wrapping_plus(static_cast<std::int64_t>(scaled_) >> shift_, step_); }
  /// In which quarter between two whole numbers the level lies: where a display has few counts of noise, that tells
  /// which of the two is shown more often.
  [[nodiscard]] std::uint8_t quarter() const {
    constexpr unsigned bits = 2;
    static_assert(1U << bits == known_contexts);
    return shift_ < bits ? 0 : static_cast<std::uint8_t>(scaled_ >> (shift_ - bits) & (known_contexts - 1));
  }
  void see(std::int64_t number) {
    if (moves_)
      scaled_ += static_cast<std::uint64_t>(wrapping_minus(number, static_cast<std::int64_t>(scaled_) >> shift_));
  }

 private:
  std::int64_t step_;
  unsigned shift_;
  bool moves_;
  std::uint64_t scaled_;  ///< modulo 2^64, as all sums here
};

/// Zigzag distances from what was guessed, and what was known of each beforehand.
struct Distances {
  std::vector<std::uint64_t> numbers;
  std::vector<std::uint8_t> known;
};
Distances distances(std::span<const std::int64_t> numbers, const Guess& guess) {
  Distances found;
  found.numbers.reserve(numbers.size());
  found.known.reserve(numbers.size());
  Guesser guesser(guess);
  for (const std::int64_t number : numbers) {
    found.numbers.push_back(zigzag(wrapping_minus(number, guesser.next())));
    found.known.push_back(guesser.quarter());
    guesser.see(number);
  }
  return found;
}

std::int64_t median_of(std::vector<std::int64_t> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

/// In what all values differ from the first by whole multiples: a meter may send a digit that is always 0.
std::uint64_t unit_of(std::span<const std::int64_t> values) {
  std::uint64_t unit = 0;
  for (std::size_t i = 0; i < values.size() && unit != 1; ++i) {
    const std::int64_t distance = wrapping_minus(values[i], values.front());
    unit =
        std::gcd(unit, distance < 0 ? ~static_cast<std::uint64_t>(distance) + 1 : static_cast<std::uint64_t>(distance));
  }
  // So that a multiple of it is a number of 64 bits with a sign.
  return unit == 0 || unit >> 63U != 0 ? 1 : unit;
}

std::vector<Guess> guesses_for(std::span<const std::int64_t> numbers) {
  std::vector<std::int64_t> steps;
  steps.reserve(numbers.size());
  for (std::size_t i = 1; i < numbers.size(); ++i) steps.push_back(wrapping_minus(numbers[i], numbers[i - 1]));
  std::vector<Guess> guesses = {{median_of({numbers.begin(), numbers.end()}), 0, Guess::fixed}};
  guesses.push_back({0, steps.empty() ? 0 : median_of(std::move(steps)), 0});
  for (const unsigned shift : {2U, 4U}) guesses.push_back({0, 0, shift});
  return guesses;
}

/// By the guess that leaves least, written; empty where it would take `limit` bytes or more.
std::string guessed_column(std::span<const std::int64_t> values, double limit) {
  const std::uint64_t unit = unit_of(values);
  std::vector<std::int64_t> numbers;
  numbers.reserve(values.size());
  for (const std::int64_t value : values)
    numbers.push_back(wrapping_minus(value, values.front()) / static_cast<std::int64_t>(unit));
  struct Candidate {
    Guess guess;
    Distances rest;
    Frequencies frequencies;
  };
  std::optional<Candidate> best;
  for (const Guess& guess : guesses_for(numbers)) {
    Distances rest = distances(numbers, guess);
    Frequencies frequencies(rest.numbers, rest.known);
    if (frequencies.bytes() >= (best ? best->frequencies.bytes() : limit)) continue;
    best.emplace(Candidate{guess, std::move(rest), std::move(frequencies)});
  }
  std::string out;
  if (!best) return out;
  put_method(out, Method::guessed);
  put_signed(out, values.front());
  put_varint(out, unit);
  put_signed(out, best->guess.level);
  put_signed(out, best->guess.step);
  put_byte(out, best->guess.shift);
  best->frequencies.put(out, best->rest.numbers, best->rest.known);
  return out;
}

std::vector<std::int64_t> take_guessed(ByteReader& in, std::size_t count) {
  const std::int64_t first = in.signed_varint();
  const std::uint64_t unit = in.varint();
  Guess guess;
  guess.level = in.signed_varint();
  guess.step = in.signed_varint();
  guess.shift = in.byte();
  if (!in.ok() || guess.shift > Guess::fixed) {
    in.set_bad();
    return {};
  }
  CodeReader rest(in, count);
  std::vector<std::int64_t> values;
  if (!in.ok()) return values;
  values.reserve(count);
  Guesser guesser(guess);
  for (std::size_t i = 0; i < count && in.ok(); ++i) {
    const std::int64_t number = wrapping_plus(guesser.next(), unzigzag(rest.next(guesser.quarter())));
    guesser.see(number);
    values.push_back(wrapping_plus(first, static_cast<std::int64_t>(static_cast<std::uint64_t>(number) * unit)));
  }
  rest.must_be_done();
  if (!in.ok()) values.clear();
  return values;
}

struct Runs {
  std::vector<std::int64_t> lengths;  ///< of each run but the last, less one
  std::vector<std::int64_t> steps;    ///< to the next run
};

Runs find_runs(std::span<const std::int64_t> values) {
  Runs runs;
  std::size_t begin = 0;
  for (std::size_t i = 1; i < values.size(); ++i) {
    if (values[i] == values[i - 1]) continue;
    runs.lengths.push_back(static_cast<std::int64_t>(i - begin - 1));
    runs.steps.push_back(wrapping_minus(values[i], values[i - 1]));
    begin = i;
  }
  return runs;
}

unsigned width_of(std::span<const std::uint64_t> values) {
  std::uint64_t all = 0;
  for (const std::uint64_t value : values) all |= value;
  return bytes_for(all);
}

void put_fixed(std::string& out, Method method, std::int64_t base, std::span<const std::uint64_t> values,
               unsigned width, Compression compression) {
  put_method(out, method);
  put_signed(out, base);
  put_byte(out, width);
  std::string planes;
  planes.reserve(values.size() * width);
  put_planes(planes, values, width);
  put_packed(out, planes, compression);
}

std::string run_column(std::span<const std::int64_t> values, const Runs& runs, Compression compression) {
  std::string out;
  put_method(out, Method::runs);
  put_signed(out, values.front());
  put_varint(out, runs.steps.size());
  put_flat_column(out, runs.lengths, compression);
  put_flat_column(out, runs.steps, compression);
  return out;
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

/// Runs from their lengths and steps; marks `in` bad if they are not so many values.
std::vector<std::int64_t> values_of_runs(ByteReader& in, std::int64_t value, std::size_t count, const Runs& runs) {
  std::vector<std::int64_t> values;
  values.reserve(count);
  for (std::size_t i = 0; in.ok() && i < runs.steps.size(); ++i) {
    const std::int64_t length = runs.lengths[i];
    // The last run needs one more at least.
    if (length < 0 || static_cast<std::uint64_t>(length) + 1 >= count - values.size()) {
      in.set_bad();
      return {};
    }
    values.insert(values.end(), static_cast<std::size_t>(length) + 1, value);
    value = wrapping_plus(value, runs.steps[i]);
  }
  if (in.ok()) values.resize(count, value);
  return values;
}

std::vector<std::int64_t> take_runs(ByteReader& in, std::size_t count) {
  const std::int64_t first = in.signed_varint();
  const std::uint64_t changes = in.varint();
  Runs runs;
  if (!in.ok() || changes == 0 || changes >= count) {
    in.set_bad();
    return {};
  }
  runs.lengths = take_flat_column(in, static_cast<std::size_t>(changes));
  runs.steps = take_flat_column(in, static_cast<std::size_t>(changes));
  return values_of_runs(in, first, count, runs);
}

std::vector<std::int64_t> take_byte_runs(ByteReader& in, std::size_t count) {
  const std::int64_t first = in.signed_varint();
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
  Runs runs;
  for (std::size_t i = 0; i < change_count; ++i) {
    runs.lengths.push_back(static_cast<std::int64_t>(from_planes(lengths, change_count, length_width, i)));
    runs.steps.push_back(unzigzag(from_planes(steps, change_count, step_width, i)));
  }
  return values_of_runs(in, first, count, runs);
}

std::string constant_column(std::int64_t value) {
  std::string out;
  put_method(out, Method::constant);
  put_signed(out, value);
  return out;
}

/// By byte planes, in which Zstandard finds what repeats.
std::string plane_column(std::span<const std::int64_t> values, Compression compression) {
  const std::int64_t lowest = *std::min_element(values.begin(), values.end());
  std::vector<std::uint64_t> offsets, differences;
  offsets.reserve(values.size());
  differences.reserve(values.size());
  for (const std::int64_t value : values) offsets.push_back(static_cast<std::uint64_t>(wrapping_minus(value, lowest)));
  for (std::size_t i = 1; i < values.size(); ++i)
    differences.push_back(zigzag(wrapping_minus(values[i], values[i - 1])));
  const unsigned offset_width = width_of(offsets), difference_width = width_of(differences);
  std::string out;
  if (estimated_bytes(offsets, offset_width) <= estimated_bytes(differences, difference_width))
    put_fixed(out, Method::offsets, lowest, offsets, offset_width, compression);
  else
    put_fixed(out, Method::differences, values.front(), differences, difference_width, compression);
  return out;
}

/// The shortest form but runs.
void put_flat_column(std::string& out, std::span<const std::int64_t> values, Compression compression) {
  const bool constant = std::all_of(values.begin(), values.end(), [&](std::int64_t v) { return v == values.front(); });
  if (constant) {
    out += constant_column(values.empty() ? 0 : values.front());
    return;
  }
  const std::string planes = plane_column(values, compression);
  const std::string guessed = guessed_column(values, static_cast<double>(planes.size()));
  out += guessed.empty() || guessed.size() >= planes.size() ? planes : guessed;
}

std::vector<std::int64_t> take_column(ByteReader& in, std::size_t count, bool may_be_runs) {
  const auto method = static_cast<Method>(in.byte());
  if (!in.ok() || count == 0) {
    in.set_bad();
    return {};
  }
  switch (method) {
    case Method::constant: {
      const std::int64_t value = in.signed_varint();
      return std::vector<std::int64_t>(in.ok() ? count : 0, value);
    }
    case Method::offsets:
    case Method::differences:
      return take_fixed(in, method, count);
    case Method::guessed:
      return take_guessed(in, count);
    case Method::byte_runs:
      if (may_be_runs) return take_byte_runs(in, count);
      break;
    case Method::runs:
      if (may_be_runs) return take_runs(in, count);
      break;
  }
  in.set_bad();
  return {};
}

std::vector<std::int64_t> take_flat_column(ByteReader& in, std::size_t count) {
  return take_column(in, count, false);
}

}  // namespace

void pack_column(std::string& out, std::span<const std::int64_t> values, Compression compression) {
  const Runs runs = find_runs(values);
  // Where more than half of the neighbours differ, runs cannot win; where hardly any do, nothing else can.
  if (runs.steps.empty() || runs.steps.size() * 2 > values.size()) return put_flat_column(out, values, compression);
  const std::string as_runs = run_column(values, runs, compression);
  std::string flat;
  if (runs.steps.size() * 16 >= values.size()) put_flat_column(flat, values, compression);
  out += flat.empty() || as_runs.size() < flat.size() ? as_runs : flat;
}

std::vector<std::int64_t> unpack_column(ByteReader& in, std::size_t count) {
  return take_column(in, count, true);
}

std::string compress(std::string_view bytes, Compression compression) {
  std::string out;
  put_varint(out, bytes.size());
  put_packed(out, bytes, compression);
  return out;
}

std::string decompress(ByteReader& in, std::size_t limit) {
  const std::uint64_t size = in.varint();
  if (!in.ok() || size > limit) {
    in.set_bad();
    return {};
  }
  return take_packed(in, static_cast<std::size_t>(size));
}

}  // namespace nightwatt::storage
