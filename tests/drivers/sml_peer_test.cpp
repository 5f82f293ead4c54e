// SML against an independent implementation, libsml of Debian's libsml-dev: what it writes our decoder reads, and what
// our simulated meter sends it reads. It knows no transport check (its own version of 2018), so frames are made and
// opened by hand.
#include <sml/sml_crc16.h>
#include <sml/sml_file.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <map>
#include <memory>

#include "sim/meter.hpp"
#include "sim/script.hpp"
#include "sml_bytes.hpp"

namespace nightwatt::test {

namespace {

struct FreeFile {
  void operator()(sml_file* file) const { sml_file_free(file); }
};
using File = std::unique_ptr<sml_file, FreeFile>;

octet_string* octets(const Bytes& bytes) {
  Bytes copy = bytes;
  return sml_octet_string_init(reinterpret_cast<unsigned char*>(copy.data()), static_cast<int>(copy.size()));
}

struct Entry {
  std::string code;  // in hexadecimal
  std::uint8_t unit;
  std::int8_t scaler;
  std::int64_t number;
  int size;  // bytes of the number
};

/// A list response with these entries, as libsml encodes it.
Bytes written_by_peer(const std::vector<Entry>& entries) {
  auto* response = sml_get_list_response_init();
  response->server_id = octets(from_hex("0A 01 53 4B 50"));
  for (const Entry& one : entries) {
    auto* entry = sml_list_init();
    entry->obj_name = octets(from_hex(one.code));
    entry->unit = sml_u8_init(one.unit);
    entry->scaler = sml_i8_init(static_cast<u64>(one.scaler));
    entry->value = sml_value_init();
    entry->value->type = static_cast<u8>(SML_TYPE_INTEGER | one.size);
    entry->value->data.int64 =
        static_cast<i64*>(sml_number_init(static_cast<u64>(one.number), SML_TYPE_INTEGER, one.size));
    if (response->val_list == nullptr)
      response->val_list = entry;
    else
      sml_list_add(response->val_list, entry);
  }
  auto* message = sml_message_init();
  message->group_id = sml_u8_init(0);
  message->abort_on_error = sml_u8_init(0);
  message->message_body = sml_message_body_init(SML_MESSAGE_GET_LIST_RESPONSE, response);
  const File file(sml_file_init());
  sml_file_add_message(file.get(), message);
  sml_file_write(file.get());
  const auto* begin = reinterpret_cast<const std::byte*>(file->buf->buffer);
  return {begin, begin + file->buf->cursor};
}

/// The messages of a file, transport taken off.
Bytes messages_of(const Bytes& file) {
  const Bytes escape = from_hex("1B1B1B1B");
  Bytes messages;
  for (std::size_t at = 8; at + 4 <= file.size(); at += 4) {
    const auto word = [&](std::size_t i) {
      const auto begin = file.begin() + static_cast<std::ptrdiff_t>(i);
      return Bytes(begin, begin + 4);
    };
    if (word(at) != escape) {
      messages = messages + word(at);
      continue;
    }
    at += 4;
    if (word(at) != escape) {
      messages.resize(messages.size() - std::to_integer<std::size_t>(file[at + 1]));
      break;
    }
    messages = messages + escape;
  }
  return messages;
}

/// Code to value times scaler, as libsml reads them.
std::map<std::string, double> read_by_peer(Bytes messages) {
  std::map<std::string, double> values;
  const File file(sml_file_parse(reinterpret_cast<unsigned char*>(messages.data()), messages.size()));
  REQUIRE(file);
  for (short i = 0; i < file->messages_len; ++i) {
    const sml_message* message = file->messages[i];
    if (*message->message_body->tag != SML_MESSAGE_GET_LIST_RESPONSE) continue;
    const auto* response = static_cast<const sml_get_list_response*>(message->message_body->data);
    for (const sml_list* entry = response->val_list; entry != nullptr; entry = entry->next) {
      if (entry->value == nullptr || (entry->value->type & SML_TYPE_FIELD) == SML_TYPE_OCTET_STRING) continue;
      std::string code;
      for (int byte = 2; byte < 5; ++byte) code += std::to_string(entry->obj_name->str[byte]) + ".";
      values[code] = sml_value_to_double(entry->value) * std::pow(10.0, entry->scaler != nullptr ? *entry->scaler : 0);
    }
  }
  return values;
}

}  // namespace

TEST_CASE("libsml and we agree on the check") {
  for (const char* text : {"123456789", "", "\x1B\x1B"}) {
    Bytes bytes = from_text(text);
    const std::uint16_t theirs =
        sml_crc16_calculate(reinterpret_cast<unsigned char*>(bytes.data()), static_cast<int>(bytes.size()));
    const Bytes ours = sml_crc(bytes);
    // It keeps the value's bytes the other way round, as they stand in a message.
    CHECK(theirs == (std::to_integer<unsigned>(ours[0]) << 8U | std::to_integer<unsigned>(ours[1])));
  }
}

TEST_CASE("what libsml writes is read, number by number") {
  std::mt19937 random(11);
  for (int i = 0; i < 50; ++i) {
    const int size = std::array{1, 2, 4, 8}[random() % 4];
    const auto limit = static_cast<std::int64_t>(1) << std::min(8 * size - 1, 33);
    const std::int64_t watts = static_cast<std::int64_t>(random() % static_cast<std::uint64_t>(2 * limit)) - limit;
    const auto scaler = static_cast<std::int8_t>(-static_cast<int>(random() % 4));
    const auto counter = static_cast<std::int64_t>(random());
    const Bytes file =
        made_file(written_by_peer({{"0100010800FF", 30, -1, counter, 8}, {"0100100700FF", 27, scaler, watts, size}}));
    CAPTURE(watts, int{scaler}, size);
    const drivers::Output out = decode_whole(sml_profile(), file);
    INFO(described(out));
    REQUIRE(out.readings.size() == 1);
    CHECK(out.readings[0].values.get(Quantity::power) == Decimal{watts, scaler});
    CHECK(out.readings[0].values.get(Quantity::energy) == Decimal{counter, -1});
  }
}

TEST_CASE("what the simulated meter sends, libsml reads as the values that were meant") {
  MeterProfile profile = sml_profile();
  profile.reads.erase(profile.reads.begin() + 2, profile.reads.end());  // power and energy
  profile.reads[0].resolution = 0.1;
  auto script = sim::parse_script("noise white 3\nlevel 25.5 for 60\nnoise white 40\nlevel -700 for 60\n", "peer");
  REQUIRE(script);
  auto meter = sim::make_meter(profile, std::move(*script), 3).value();
  std::vector<sim::Chunk> chunks;
  meter->advance(119.0, chunks);
  REQUIRE(chunks.size() == 120);
  for (const sim::Chunk& chunk : chunks) {
    REQUIRE(chunk.sent);
    const auto values = read_by_peer(messages_of(chunk.bytes));
    CHECK(values.at("16.7.0.") == Approx(std::stod(chunk.sent->values[0].second)));
    CHECK(values.at("1.8.0.") == Approx(std::stod(chunk.sent->values[1].second)));
  }
}

}  // namespace nightwatt::test
