#include "entropy.hpp"

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <numeric>
#include <optional>

namespace nightwatt::storage {
namespace {

// A number is a token and as many bits as the token says. Below `single` each number is a token of its own; above,
// those that agree in their highest four bits share one, and the bits behind these are as good as random in any
// measurement.
constexpr unsigned kept_bits = 3;  // behind the leading one
constexpr std::uint64_t single = std::uint64_t{2} << kept_bits;
constexpr std::size_t token_count = single + (64 - kept_bits - 1) * (std::size_t{1} << kept_bits);

struct Token {
  std::size_t token;
  unsigned bits;
};
constexpr Token token_of(std::uint64_t number) {
  if (number < single) return {static_cast<std::size_t>(number), 0};
  const auto bits = static_cast<unsigned>(std::bit_width(number)) - 1 - kept_bits;
  return {(std::size_t{bits} << kept_bits) + static_cast<std::size_t>(number >> bits), bits};
}
constexpr unsigned bits_of_token(std::size_t token) {
  return token < single ? 0 : static_cast<unsigned>((token >> kept_bits) - 1);
}
constexpr std::uint64_t lowest_of_token(std::size_t token) {
  const unsigned bits = bits_of_token(token);
  return (token - (std::uint64_t{bits} << kept_bits)) << bits;
}
static_assert(token_of(~std::uint64_t{0}).token == token_count - 1);
static_assert(lowest_of_token(token_count - 1) == std::uint64_t{0xF} << 60U);

// By how many bits the number before had: enough to tell a level from a step, and the one sign from the other.
constexpr std::size_t context_count = 6;
constexpr std::size_t context_behind(std::uint64_t number) {
  return std::min<std::size_t>(static_cast<std::size_t>(std::bit_width(number)), context_count - 1);
}

// Frequencies are parts of 4096: the table to decode by stays in the processor's nearest cache.
constexpr unsigned scale_bits = 12;
constexpr std::uint32_t scale = 1U << scale_bits;
// The state lies in [2^16, 2^32) between numbers and gives or takes 16 bits at a time.
constexpr std::uint32_t lowest_state = 1U << 16U;

// ---- frequencies

/// Counts as parts of `scale`, none of them nothing.
std::vector<std::uint32_t> scaled_counts(const std::vector<std::uint32_t>& counts) {
  const std::uint64_t total = std::accumulate(counts.begin(), counts.end(), std::uint64_t{0});
  std::vector<std::uint32_t> parts(counts.size(), 0);
  std::uint32_t sum = 0;
  for (std::size_t i = 0; i < counts.size(); ++i) {
    if (counts[i] == 0) continue;
    parts[i] =
        std::max<std::uint32_t>(1, static_cast<std::uint32_t>((counts[i] * std::uint64_t{scale} + total / 2) / total));
    sum += parts[i];
  }
  // Rounding leaves some too many or too few: the most frequent miss them least.
  while (sum != scale && total > 0) {
    std::uint32_t& most = *std::max_element(parts.begin(), parts.end());
    most = sum < scale ? most + 1 : most - 1;
    sum = sum < scale ? sum + 1 : sum - 1;
  }
  return parts;
}

double bits_of(const std::vector<std::uint32_t>& counts) {
  constexpr double table_bits_a_token = 10.0;
  const auto total = std::accumulate(counts.begin(), counts.end(), 0.0);
  double bits = 8.0;
  for (std::size_t token = 0; token < counts.size(); ++token)
    if (const auto count = static_cast<double>(counts[token]); count > 0)
      bits += table_bits_a_token + count * (std::log2(total / count) + bits_of_token(token));
  return bits;
}

/// How many there are, then each; behind a 0 how many more of them follow.
void put_parts(std::string& out, const std::vector<std::uint32_t>& parts) {
  put_varint(out, parts.size());
  for (std::size_t i = 0; i < parts.size(); ++i) {
    put_varint(out, parts[i]);
    if (parts[i] != 0) continue;
    const std::size_t first = i;
    while (i + 1 < parts.size() && parts[i + 1] == 0) ++i;
    put_varint(out, i - first);
  }
}

/// One context's table to decode by.
class Decoder {
 public:
  /// False if the bytes are no table.
  [[nodiscard]] bool take(ByteReader& in) {
    const std::uint64_t size = in.varint();
    if (!in.ok() || size > token_count) return false;
    std::uint64_t sum = 0;
    for (std::size_t token = 0; token < size; ++token) {
      const std::uint64_t part = in.varint();
      if (part > scale - sum) return false;
      if (part == 0) {
        const std::uint64_t more = in.varint();
        if (more >= size - token) return false;
        token += static_cast<std::size_t>(more);
        continue;
      }
      const auto width = static_cast<std::uint32_t>(part);
      for (std::uint32_t i = 0; i < width; ++i)
        slots_[static_cast<std::size_t>(sum) + i] = {
            static_cast<std::uint16_t>(token), static_cast<std::uint16_t>(width - 1), static_cast<std::uint16_t>(i)};
      sum += part;
    }
    usable_ = sum == scale;
    return in.ok() && (usable_ || size == 0);
  }
  [[nodiscard]] bool usable() const { return usable_; }
  std::size_t step(std::uint32_t& state) const {
    const Slot& slot = slots_[state & (scale - 1)];
    state = (slot.width_less_one + 1U) * (state >> scale_bits) + slot.place;
    return slot.token;
  }

 private:
  struct Slot {
    std::uint16_t token, width_less_one, place;
  };
  std::array<Slot, scale> slots_{};
  bool usable_ = false;
};

// ---- the bits behind the tokens, lowest first

constexpr unsigned bits_at_once = 32;

class BitWriter {
 public:
  void put(std::uint64_t number, unsigned bits) {
    for (unsigned now = 0; bits > 0; bits -= now, number >>= now) {
      now = std::min(bits, bits_at_once);
      waiting_ |= (number & ((std::uint64_t{1} << now) - 1)) << waiting_bits_;
      for (waiting_bits_ += now; waiting_bits_ >= 8; waiting_bits_ -= 8, waiting_ >>= 8U)
        put_byte(bytes_, static_cast<unsigned>(waiting_ & 0xFFU));
    }
  }
  [[nodiscard]] std::string take() {
    if (waiting_bits_ > 0) put_byte(bytes_, static_cast<unsigned>(waiting_));
    return std::move(bytes_);
  }

 private:
  std::string bytes_;
  std::uint64_t waiting_ = 0;
  unsigned waiting_bits_ = 0;
};

class BitReader {
 public:
  explicit BitReader(std::string_view bytes) : in_(bytes) {}
  std::uint64_t take(unsigned bits) {
    std::uint64_t number = 0;
    for (unsigned done = 0; done < bits;) {
      const unsigned now = std::min(bits - done, bits_at_once);
      for (; waiting_bits_ < now; waiting_bits_ += 8) waiting_ |= std::uint64_t{in_.byte()} << waiting_bits_;
      number |= (waiting_ & ((std::uint64_t{1} << now) - 1)) << done;
      waiting_ >>= now;
      waiting_bits_ -= now;
      done += now;
    }
    return number;
  }
  [[nodiscard]] bool at_end() const { return in_.ok() && in_.at_end() && waiting_ == 0; }

 private:
  ByteReader in_;
  std::uint64_t waiting_ = 0;
  unsigned waiting_bits_ = 0;
};

}  // namespace

Frequencies::Frequencies(std::span<const std::uint64_t> numbers, std::span<const std::uint8_t> known)
    : counts_(context_count) {
  std::vector<Counts> by_known(known.empty() ? 0 : known_contexts);
  const auto count = [](Counts& counts, std::size_t token) {
    if (token >= counts.size()) counts.resize(token + 1, 0);
    ++counts[token];
  };
  std::uint64_t before = 0;
  for (std::size_t i = 0; i < numbers.size(); ++i) {
    const std::size_t token = token_of(numbers[i]).token;
    count(counts_[context_behind(before)], token);
    if (!known.empty()) count(by_known[known[i]], token);
    before = numbers[i];
  }
  const auto bits_of_all = [](const std::vector<Counts>& all) {
    return std::accumulate(all.begin(), all.end(), 0.0,
                           [](double bits, const Counts& counts) { return bits + bits_of(counts); });
  };
  Counts together;
  for (const Counts& counts : counts_) {
    together.resize(std::max(together.size(), counts.size()), 0);
    std::transform(counts.begin(), counts.end(), together.begin(), together.begin(), std::plus<>());
  }
  double bits = bits_of_all(counts_);
  if (const double together_bits = bits_of(together); together_bits <= bits) {
    counts_.assign(1, std::move(together));
    bits = together_bits;
  }
  if (const double known_bits = bits_of_all(by_known); !by_known.empty() && known_bits < bits) {
    counts_ = std::move(by_known);
    bits = known_bits;
  }
  constexpr double sizes_and_state = 8.0;
  bytes_ = bits / 8.0 + sizes_and_state;
}

void Frequencies::put(std::string& out, std::span<const std::uint64_t> numbers,
                      std::span<const std::uint8_t> known) const {
  const auto context_of = [&](std::size_t i) -> std::size_t {
    if (counts_.size() == 1) return 0;
    if (counts_.size() == known_contexts) return known[i];
    return context_behind(i == 0 ? 0 : numbers[i - 1]);
  };
  std::vector<Counts> parts, starts;
  put_byte(out, static_cast<unsigned>(counts_.size()));
  for (const Counts& counts : counts_) {
    parts.push_back(scaled_counts(counts));
    starts.emplace_back(counts.size(), 0);
    std::exclusive_scan(parts.back().begin(), parts.back().end(), starts.back().begin(), 0U);
    put_parts(out, parts.back());
  }
  BitWriter bits;
  for (const std::uint64_t number : numbers) bits.put(number, token_of(number).bits);
  // The last number first, and the words turned round: they are read from the first on.
  std::vector<std::uint16_t> words;
  std::uint64_t state = lowest_state;
  for (std::size_t i = numbers.size(); i-- > 0;) {
    const std::size_t context = context_of(i);
    const std::size_t token = token_of(numbers[i]).token;
    const std::uint64_t part = parts[context][token];
    if (state >= part << (32 - scale_bits)) {
      words.push_back(static_cast<std::uint16_t>(state));
      state >>= 16U;
    }
    state = (state / part << scale_bits) + state % part + starts[context][token];
  }
  words.push_back(static_cast<std::uint16_t>(state));
  words.push_back(static_cast<std::uint16_t>(state >> 16U));
  put_varint(out, words.size());
  for (std::size_t i = words.size(); i-- > 0;) {
    put_byte(out, words[i] & 0xFFU);
    put_byte(out, static_cast<unsigned>(words[i]) >> 8U);
  }
  const std::string behind = bits.take();
  put_varint(out, behind.size());
  out += behind;
}

class CodeReader::Impl {
 public:
  /// False if the bytes are no code.
  [[nodiscard]] bool begin(ByteReader& in, std::size_t count) {
    const std::size_t contexts = in.byte();
    if (contexts != 1 && contexts != known_contexts && contexts != context_count) return false;
    decoders_.resize(contexts);
    for (Decoder& decoder : decoders_)
      if (!decoder.take(in)) return false;
    const std::uint64_t word_count = in.varint();
    if (word_count < 2 || word_count > count + 2) return false;
    words_ = in.take(word_count * 2);
    bits_.emplace(in.take(in.varint()));
    if (!in.ok()) return false;
    state_ = word() << 16U;
    state_ |= word();
    return true;
  }
  [[nodiscard]] bool next(std::size_t known) {
    const Decoder& decoder = decoders_[context(known)];
    if (!decoder.usable()) return false;
    const std::size_t token = decoder.step(state_);
    if (state_ < lowest_state) {
      if (next_ == words_.size()) return false;
      state_ = state_ << 16U | word();
    }
    number = lowest_of_token(token) + bits_->take(bits_of_token(token));
    return true;
  }
  [[nodiscard]] bool at_end() const { return state_ == lowest_state && next_ == words_.size() && bits_->at_end(); }

  std::uint64_t number = 0;  ///< the last one; the context of the first is behind a 0

 private:
  [[nodiscard]] std::size_t context(std::size_t known) const {
    if (decoders_.size() == 1) return 0;
    return decoders_.size() == known_contexts ? known : context_behind(number);
  }
  std::uint32_t word() {
    const auto low = static_cast<unsigned char>(words_[next_]), high = static_cast<unsigned char>(words_[next_ + 1]);
    next_ += 2;
    return static_cast<std::uint32_t>(low | (high << 8U));
  }

  std::vector<Decoder> decoders_;
  std::string_view words_;
  std::optional<BitReader> bits_;
  std::size_t next_ = 0;
  std::uint32_t state_ = 0;
};

CodeReader::CodeReader(ByteReader& in, std::size_t count) : in_(in), impl_(std::make_unique<Impl>()) {
  if (!impl_->begin(in, count)) in.set_bad();
}
CodeReader::~CodeReader() = default;

std::uint64_t CodeReader::next(std::size_t known) {
  if (in_.ok() && !impl_->next(known)) in_.set_bad();
  return impl_->number;
}

void CodeReader::must_be_done() {
  if (in_.ok() && !impl_->at_end()) in_.set_bad();
}

std::vector<std::uint64_t> take_coded(ByteReader& in, std::size_t count) {
  CodeReader reader(in, count);
  std::vector<std::uint64_t> numbers;
  if (!in.ok()) return numbers;
  numbers.reserve(count);
  for (std::size_t i = 0; i < count && in.ok(); ++i) numbers.push_back(reader.next(0));
  reader.must_be_done();
  if (!in.ok()) numbers.clear();
  return numbers;
}

}  // namespace nightwatt::storage
