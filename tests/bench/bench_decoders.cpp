// How fast the decoders turn bytes into readings, each beside something that makes numbers of the same bytes.

#include <modbus.h>
#include <sml/sml_file.h>
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <bit>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <ctime>
#include <functional>
#include <iostream>
#include <nlohmann/json.hpp>

#include "s0/edge.hpp"
#include "tests/bench/loop_time.hpp"
#include "tests/drivers/sml_bytes.hpp"
#include "tests/drivers/stream.hpp"

namespace {

using namespace nightwatt;

constexpr std::size_t chunk = 4096;  ///< what a busy port gives at once
constexpr int rounds = 3;            ///< the best of these counts

/// Best MB (10^6 bytes) a second of processor time, of `rounds` runs; other programs on the machine hardly matter.
double speed(std::size_t bytes, const std::function<void()>& run) {
  double best = 0.0;
  for (int i = 0; i < rounds; ++i) {
    const std::clock_t begin = std::clock();
    run();
    const double took_s = static_cast<double>(std::clock() - begin) / CLOCKS_PER_SEC;
    best = std::max(best, static_cast<double>(bytes) / took_s * 1e-6);
  }
  return best;
}

void require(bool holds, const char* what) {
  if (holds) return;
  std::cerr << "bench_decoders: " << what << '\n';
  std::exit(1);
}

void line(const char* what, double ours, const char* peer, double theirs) {
  std::printf("%-44s %8.1f MB/s   | %8.1f MB/s  %s\n", what, ours, theirs, peer);
}

/// All of a stream through a capture decoder; the number of readings.
std::size_t decode(const MeterProfile& profile, std::span<const std::byte> bytes) {
  auto decoder = drivers::make_capture_decoder(profile).value();
  drivers::Output out;
  std::size_t readings = 0;
  while (!bytes.empty()) {
    const std::size_t length = std::min(chunk, bytes.size());
    decoder->feed(bytes.first(length), out);
    bytes = bytes.subspan(length);
    readings += out.readings.size();
    require(out.faults.empty(), "a fault in a good stream");
    out.readings.clear();
  }
  decoder->finish(out);
  return readings + out.readings.size();
}

/// Bit by bit, as the specification writes it.
std::uint16_t plain_crc(const std::uint8_t* data, std::size_t length) {
  std::uint32_t crc = 0xFFFF;
  for (std::size_t i = 0; i < length; ++i) {
    crc ^= data[i];
    for (int bit = 0; bit < 8; ++bit) crc = (crc & 1U) != 0 ? (crc >> 1U) ^ 0xA001U : crc >> 1U;
  }
  return static_cast<std::uint16_t>(crc);
}

/// Unit, function, count of bytes, registers.
std::vector<std::uint8_t> answer_body(std::uint8_t function, std::span<const std::uint16_t> registers) {
  std::vector<std::uint8_t> body = {1, function, static_cast<std::uint8_t>(2 * registers.size())};
  for (const std::uint16_t value : registers) {
    body.push_back(static_cast<std::uint8_t>(value >> 8U));
    body.push_back(static_cast<std::uint8_t>(value & 0xFFU));
  }
  return body;
}

void append_answer(test::Bytes& stream, std::span<const std::uint16_t> registers, std::uint8_t function = 4) {
  std::vector<std::uint8_t> frame = answer_body(function, registers);
  const std::uint16_t crc = plain_crc(frame.data(), frame.size());
  frame.push_back(static_cast<std::uint8_t>(crc & 0xFFU));
  frame.push_back(static_cast<std::uint8_t>(crc >> 8U));
  for (const std::uint8_t byte : frame) stream.push_back(std::byte{byte});
}

void append_tcp_answer(test::Bytes& stream, std::span<const std::uint16_t> registers, std::uint16_t transaction) {
  const std::vector<std::uint8_t> body = answer_body(4, registers);
  for (const std::size_t byte : {std::size_t{transaction} >> 8U, std::size_t{transaction} & 0xFFU, std::size_t{0},
                                 std::size_t{0}, std::size_t{0}, body.size()})
    stream.push_back(static_cast<std::byte>(byte));
  for (const std::uint8_t byte : body) stream.push_back(std::byte{byte});
}

/// A peer that cannot be had without its system calls: libmodbus's own reading and checking of answers, from a socket.
class LibmodbusReader {
 public:
  explicit LibmodbusReader(modbus_t* context) : context_(context) {
    require(context_ != nullptr && socketpair(AF_UNIX, SOCK_STREAM, 0, ends_.data()) == 0, "no socket for libmodbus");
    modbus_set_slave(context_, 1);
    modbus_set_socket(context_, ends_[0]);
  }
  LibmodbusReader(const LibmodbusReader&) = delete;
  LibmodbusReader& operator=(const LibmodbusReader&) = delete;
  ~LibmodbusReader() {
    modbus_free(context_);
    for (const int end : ends_) ::close(end);
  }

  /// `on_answer(frame)` for each frame of a stream of frames of one length, cut from it in bursts.
  template <class OnAnswer>
  void read(std::span<const std::byte> stream, std::size_t frame_length, OnAnswer&& on_answer) {
    std::array<std::uint8_t, MODBUS_TCP_MAX_ADU_LENGTH> frame{};
    const std::size_t burst = chunk / frame_length * frame_length;
    while (!stream.empty()) {
      const auto part = stream.first(std::min(burst, stream.size()));
      stream = stream.subspan(part.size());
      require(::write(ends_[1], part.data(), part.size()) == static_cast<ssize_t>(part.size()), "a short write");
      for (std::size_t at = 0; at < part.size(); at += frame_length) {
        const int got = modbus_receive_confirmation(context_, frame.data());
        require(got == static_cast<int>(frame_length), "libmodbus did not take an answer");
        on_answer(frame.data());
      }
    }
  }

 private:
  modbus_t* context_;
  std::array<int, 2> ends_{};
};

constexpr std::size_t answer_length = 21;
constexpr std::size_t answers = 200'000;

/// The peer: frames at known places, the specification's check, libmodbus's own getter; no search, no decimals.
double peer_floats(const test::Bytes& stream) {
  double sum = 0.0;
  const auto* bytes = reinterpret_cast<const std::uint8_t*>(stream.data());
  for (std::size_t at = 0; at + answer_length <= stream.size(); at += answer_length) {
    require(plain_crc(bytes + at, answer_length) == 0, "the peer's check failed");
    std::array<std::uint16_t, 8> registers;
    for (std::size_t i = 0; i < registers.size(); ++i)
      registers[i] = static_cast<std::uint16_t>((bytes[at + 3 + 2 * i] << 8) | bytes[at + 4 + 2 * i]);
    for (std::size_t i = 0; i < registers.size(); i += 2)
      sum += static_cast<double>(modbus_get_float_cdab(registers.data() + i));
  }
  return sum;
}

std::array<std::uint16_t, 8> registers_of(const std::array<float, 4>& values) {
  std::array<std::uint16_t, 8> registers{};
  for (std::size_t i = 0; i < values.size(); ++i) {
    const auto bits = std::bit_cast<std::uint32_t>(values[i]);
    registers[2 * i] = static_cast<std::uint16_t>(bits & 0xFFFFU);
    registers[2 * i + 1] = static_cast<std::uint16_t>(bits >> 16U);
  }
  return registers;
}

/// Asks and answers as fast as it goes: what the service does, without a line.
std::size_t poll(const MeterProfile& profile, std::span<const std::byte> bytes, std::size_t length = answer_length) {
  auto decoder = drivers::make_decoder(profile).value();
  drivers::Output out;
  std::size_t readings = 0;
  for (Duration now{0}; !bytes.empty(); now += profile.interval) {
    decoder->tick(now, out);
    decoder->feed(bytes.first(length), now, out);
    bytes = bytes.subspan(length);
    readings += out.readings.size();
    out.readings.clear();
    out.send.clear();
  }
  require(out.faults.empty(), "a fault in a good stream");
  return readings;
}

void bench_modbus() {
  std::mt19937 random(1);
  std::uniform_real_distribution<float> watts(1.0F, 150.0F);
  test::Bytes floats;
  test::Bytes integers;
  for (std::size_t i = 0; i < answers; ++i) {
    append_answer(floats, registers_of({watts(random), 230.0F + watts(random) / 100.0F, watts(random) / 230.0F,
                                        static_cast<float>(i)}));
    const auto word = [&] { return static_cast<std::uint16_t>(random() & 0x3FFFU); };
    append_answer(integers, std::array<std::uint16_t, 8>{word(), 0, word(), 0, word(), 0, word(), 0});
  }
  const auto profile = [](RegisterType type, Decimal scale) {
    return test::modbus_profile({test::modbus_read(Quantity::power, 4, 0, type, RegisterOrder::cdab, scale),
                                 test::modbus_read(Quantity::voltage, 4, 2, type, RegisterOrder::cdab, scale),
                                 test::modbus_read(Quantity::current, 4, 4, type, RegisterOrder::cdab, scale),
                                 test::modbus_read(Quantity::energy, 4, 6, type, RegisterOrder::cdab, scale)},
                                1);
  };
  const MeterProfile as_floats = profile(RegisterType::float32, {1, 0});
  const MeterProfile as_integers = profile(RegisterType::s32, {1, -2});
  std::printf("Modbus answers: %zu frames of %zu bytes, four 32-bit values each\n", answers, answer_length);
  const char* peer = "spec's bitwise check + modbus_get_float_cdab, frames not searched";
  volatile double kept = 0.0;
  const double theirs = speed(floats.size(), [&] { kept = kept + peer_floats(floats); });
  line("  float32, capture", speed(floats.size(), [&] { require(decode(as_floats, floats) == answers, "readings"); }),
       peer, theirs);
  line("  float32, live", speed(floats.size(), [&] { require(poll(as_floats, floats) == answers, "readings"); }), peer,
       theirs);
  line("  s32, capture", speed(integers.size(), [&] { require(decode(as_integers, integers) == answers, "readings"); }),
       peer, theirs);
}

constexpr std::size_t tcp_answer_length = 7 + 2 + 16;

void bench_modbus_tcp() {
  std::mt19937 random(4);
  std::uniform_real_distribution<float> watts(1.0F, 150.0F);
  test::Bytes stream;
  for (std::size_t i = 0; i < answers; ++i)
    append_tcp_answer(
        stream,
        registers_of({watts(random), 230.0F + watts(random) / 100.0F, watts(random) / 230.0F, static_cast<float>(i)}),
        static_cast<std::uint16_t>(i + 1));
  MeterProfile profile = test::modbus_profile({}, 1);
  ModbusTcpSettings settings;
  settings.unit = 1;
  profile.protocol = settings;
  std::uint16_t at = 0;
  for (const Quantity quantity : {Quantity::power, Quantity::voltage, Quantity::current, Quantity::energy}) {
    profile.reads.push_back(test::modbus_read(quantity, 4, at, RegisterType::float32, RegisterOrder::cdab));
    at = static_cast<std::uint16_t>(at + 2);
  }
  std::printf("Modbus TCP answers: %zu frames of %zu bytes, four 32-bit values each\n", answers, tcp_answer_length);
  const char* peer = "libmodbus's modbus_receive_confirmation from a socket, system calls counted, and its getter";
  volatile double kept = 0.0;
  const double theirs = speed(stream.size(), [&] {
    LibmodbusReader reader(modbus_new_tcp("127.0.0.1", 1502));
    reader.read(stream, tcp_answer_length, [&](const std::uint8_t* frame) {
      std::array<std::uint16_t, 8> registers{};
      for (std::size_t i = 0; i < registers.size(); ++i)
        registers[i] = static_cast<std::uint16_t>(MODBUS_GET_INT16_FROM_INT8(frame, 9 + 2 * i));
      for (std::size_t i = 0; i < registers.size(); i += 2)
        kept = kept + static_cast<double>(modbus_get_float_cdab(registers.data() + i));
    });
  });
  line("  modbus-tcp, capture", speed(stream.size(), [&] { require(decode(profile, stream) == answers, "readings"); }),
       peer, theirs);
  line("  modbus-tcp, live",
       speed(stream.size(), [&] { require(poll(profile, stream, tcp_answer_length) == answers, "readings"); }), peer,
       theirs);
}

constexpr std::size_t sunspec_registers = 55;  // of model 203, up to its last scale factor that is read
constexpr std::size_t sunspec_answer_length = 5 + 2 * sunspec_registers;
constexpr std::size_t sunspec_blocks = 50'000;

/// Answers of model 203 (the published model file): power, voltage and energy with their scale factors.
void bench_sunspec() {
  std::mt19937 random(5);
  test::Bytes stream;
  for (std::size_t i = 0; i < sunspec_blocks; ++i) {
    std::array<std::uint16_t, sunspec_registers> block{};
    std::fill(block.begin() + 2, block.begin() + 38, std::uint16_t{0x8000});
    block[0] = 203;
    block[1] = 105;
    block[18] = static_cast<std::uint16_t>(random() % 15'000);
    block[22] = static_cast<std::uint16_t>(-1);
    block[7] = static_cast<std::uint16_t>(2300 + random() % 50);
    block[15] = static_cast<std::uint16_t>(-1);
    block[46] = 1;
    block[47] = static_cast<std::uint16_t>(i);
    append_answer(stream, block, 3);
  }
  MeterProfile profile;
  profile.protocol = SunSpecSettings();
  for (const Quantity quantity : {Quantity::power, Quantity::voltage, Quantity::energy}) {
    profile.reads.emplace_back();
    profile.reads.back().quantity = quantity;
  }
  std::printf("SunSpec: %zu answers of %zu bytes, a block of model 203 each\n", sunspec_blocks, sunspec_answer_length);
  volatile double kept = 0.0;
  const double theirs = speed(stream.size(), [&] {
    LibmodbusReader reader(modbus_new_rtu("/dev/null", 9600, 'N', 8, 1));
    reader.read(stream, sunspec_answer_length, [&](const std::uint8_t* frame) {
      for (const int at : {18, 7, 47}) kept = kept + MODBUS_GET_INT16_FROM_INT8(frame, 3 + 2 * at);
    });
  });
  line("  sunspec, capture",
       speed(stream.size(), [&] { require(decode(profile, stream) == sunspec_blocks, "readings"); }),
       "libmodbus's modbus_receive_confirmation of RTU from a socket, system calls counted, no scale factors", theirs);
}

constexpr std::size_t pulse_count = 100'000;

/// Pulses of 30 ms at 3 a second with two bounces each; a reading a pulse.
void bench_pulses() {
  std::mt19937 random(6);
  test::Bytes stream;
  drivers::s0::Edge edge;
  const auto say = [&](bool on, std::uint64_t after_us) {
    edge.on = on;
    edge.at_us += after_us;
    ++edge.changes;
    for (const std::byte byte : drivers::s0::edge_bytes(edge)) stream.push_back(byte);
  };
  for (std::size_t i = 0; i < pulse_count; ++i) {
    say(true, 300'000 + random() % 1000);
    say(false, 300);
    say(true, 200);
    say(false, 30'000);
    say(true, 150);
    say(false, 250);
  }
  MeterProfile profile;
  profile.protocol = S0PulseSettings();
  profile.reads.resize(1);
  std::printf("Pulses: %zu, six edges of %zu bytes each\n", pulse_count, drivers::s0::edge_length);
  std::printf("%-44s %8.1f MB/s   | no peer known\n", "  s0-pulse",
              speed(stream.size(), [&] { require(decode(profile, stream) >= pulse_count - 2, "readings"); }));
}

MeterProfile text_profile(TextForm form) {
  MeterProfile profile;
  profile.protocol = TextLineSettings{form, TextChecksum::none};
  const auto add = [&](Quantity quantity, int column, const char* key) {
    ReadSpec read;
    read.quantity = quantity;
    read.column = column;
    read.key = key;
    profile.reads.push_back(read);
  };
  add(Quantity::voltage, 2, "V");
  add(Quantity::current, 3, "I");
  add(Quantity::power, 4, "P");
  return profile;
}

constexpr std::size_t text_lines = 200'000;

/// Lines of `write(buffer, size, number, volts, amperes, watts)`, which returns a line's length.
template <class Write>
std::string make_text(Write&& write) {
  std::mt19937 random(2);
  std::string text;
  std::array<char, 200> one{};
  for (std::size_t i = 0; i < text_lines; ++i) {
    const double volts = 230.0 + static_cast<double>(random() % 100) / 10.0;
    const double amperes = static_cast<double>(random() % 1000) / 1000.0;
    const double watts = static_cast<double>(random() % 15000) / 100.0;
    text.append(one.data(), static_cast<std::size_t>(write(one.data(), one.size(), i, volts, amperes, watts)));
  }
  return text;
}

/// Calls for every line of the text, which is ended with NUL in place of LF.
template <class Work>
void for_lines(std::string text, Work&& work) {
  for (char* at = text.data(); *at != '\0';) {
    char* end = std::strchr(at, '\n');
    *end = '\0';
    work(static_cast<const char*>(at), static_cast<std::size_t>(end - at));
    at = end + 1;
  }
}

void bench_text() {
  volatile double kept = 0.0;
  const auto ours = [&](TextForm form, const std::string& text) {
    const MeterProfile profile = text_profile(form);
    const auto bytes = std::as_bytes(std::span(text.data(), text.size()));
    return speed(text.size(), [&] { require(decode(profile, bytes) == text_lines, "readings"); });
  };
  std::printf("Text lines: %zu lines, three values each\n", text_lines);

  const std::string csv = make_text([](char* to, std::size_t size, std::size_t t, double v, double i, double p) {
    return std::snprintf(to, size, "%zu,%.1f,%.3f,%.2f\n", t, v, i, p);
  });
  line("  csv", ours(TextForm::csv, csv), "sscanf(\"%*u,%lf,%lf,%lf\") of the same lines", speed(csv.size(), [&] {
         for_lines(csv, [&](const char* text, std::size_t) {
           double v = 0.0, i = 0.0, p = 0.0;
           require(std::sscanf(text, "%*u,%lf,%lf,%lf", &v, &i, &p) == 3, "sscanf");
           kept = kept + p;
         });
       }));

  const std::string pairs = make_text([](char* to, std::size_t size, std::size_t t, double v, double i, double p) {
    return std::snprintf(to, size, "t=%zu V=%.1f I=%.3f P=%.2f\n", t, v, i, p);
  });
  line("  key-value", ours(TextForm::key_value, pairs), "strchr('=') and strtod of the same lines",
       speed(pairs.size(), [&] {
         for_lines(pairs, [&](const char* text, std::size_t) {
           for (const char* at = std::strchr(text, '='); at != nullptr; at = std::strchr(at + 1, '='))
             kept = kept + std::strtod(at + 1, nullptr);
         });
       }));

  const std::string json = make_text([](char* to, std::size_t size, std::size_t t, double v, double i, double p) {
    return std::snprintf(to, size, "{\"t\":%zu,\"V\":%.1f,\"I\":%.3f,\"P\":%.2f}\n", t, v, i, p);
  });
  line("  JSON", ours(TextForm::json, json), "nlohmann::json::parse of the same lines, three look-ups",
       speed(json.size(), [&] {
         for_lines(json, [&](const char* text, std::size_t length) {
           const auto object = nlohmann::json::parse(text, text + length);
           kept = kept + object["V"].get<double>() + object["I"].get<double>() + object["P"].get<double>();
         });
       }));
}

/// A file as meters send them: who it is, both counters, power, a signature.
test::Bytes sml_messages(std::size_t number) {
  constexpr std::string_view digits = "0123456789ABCDEF";
  std::string counter;
  for (int shift = 20; shift >= 0; shift -= 4) counter += digits[number >> shift & 0x0FU];
  std::string key = "77 07 81 81 C7 82 05 FF 01 01 01 01 83 02 ";
  for (int i = 0; i < 48; ++i) key += "A5 ";
  return test::made_list_messages(5,
                                  "77 07 81 81 C7 82 03 FF 01 01 01 01 04 53 4B 50 01"
                                  "77 07 01 00 01 08 00 FF 64 1C 01 04 01 62 1E 52 FF 56 00 00 " +
                                      counter + "01 77 07 01 00 02 08 00 FF 01 01 62 1E 52 FF 53 00 11 01" +
                                      "77 07 01 00 10 07 00 FF 01 01 62 1B 52 00 53 01 2C 01" + key + "01");
}

constexpr std::size_t sml_files = 20'000;

void bench_sml() {
  test::Bytes stream;
  std::vector<test::Bytes> messages;
  for (std::size_t i = 0; i < sml_files; ++i) {
    messages.push_back(sml_messages(i));
    const test::Bytes file = test::made_file(messages.back());
    stream.insert(stream.end(), file.begin(), file.end());
  }
  std::printf("SML: %zu files of %zu bytes\n", sml_files, stream.size() / sml_files);
  const MeterProfile profile = test::sml_profile();
  volatile double kept = 0.0;
  const double theirs = speed(stream.size(), [&] {
    for (test::Bytes& file : messages) {
      sml_file* parsed = sml_file_parse(reinterpret_cast<unsigned char*>(file.data()), file.size());
      const auto* list = static_cast<const sml_get_list_response*>(parsed->messages[1]->message_body->data)->val_list;
      for (; list != nullptr; list = list->next)
        if (list->unit != nullptr) kept = kept + sml_value_to_double(list->value);
      sml_file_free(parsed);
    }
  });
  line("  sml", speed(stream.size(), [&] { require(decode(profile, stream) == sml_files, "readings"); }),
       "libsml's sml_file_parse of the messages, files neither searched nor checked", theirs);
}

MeterProfile read_out_profile(ProtocolSettings protocol) {
  MeterProfile profile;
  profile.protocol = std::move(protocol);
  for (const Quantity quantity : {Quantity::power, Quantity::energy, Quantity::voltage}) {
    profile.reads.emplace_back();
    profile.reads.back().quantity = quantity;
  }
  return profile;
}

/// The peer of read-outs: every number behind a bracket, no names, no units.
double peer_brackets(const std::string& text) {
  double sum = 0.0;
  for (const char* at = std::strchr(text.c_str(), '('); at != nullptr; at = std::strchr(at + 1, '('))
    sum += std::strtod(at + 1, nullptr);
  return sum;
}

/// Bit by bit, as the P1 companion standard writes it; start 0.
unsigned plain_arc(std::string_view text) {
  unsigned crc = 0;
  for (const char c : text) {
    crc ^= static_cast<unsigned char>(c);
    for (int bit = 0; bit < 8; ++bit) crc = (crc & 1U) != 0 ? (crc >> 1U) ^ 0xA001U : crc >> 1U;
  }
  return crc;
}

constexpr std::size_t telegrams = 20'000;

std::string make_telegram(std::mt19937& random) {
  std::array<char, 400> lines{};
  const auto watts = static_cast<unsigned>(random() % 5000);
  std::snprintf(lines.data(), lines.size(),
                "/SKP5\\SKERRY\r\n\r\n1-3:0.2.8(50)\r\n1-0:1.8.1(%06u.%03u*kWh)\r\n1-0:1.8.2(000012.345*kWh)\r\n"
                "1-0:1.7.0(%02u.%03u*kW)\r\n1-0:2.7.0(00.000*kW)\r\n1-0:32.7.0(230.1*V)\r\n0-0:96.13.0()\r\n"
                "0-1:24.2.1(260105210000W)(00123.456*m3)\r\n!",
                watts, watts % 1000, watts / 1000, watts % 1000);
  std::string text = lines.data();
  std::array<char, 16> check{};
  std::snprintf(check.data(), check.size(), "%04X\r\n", plain_arc(text));
  return text + check.data();
}

std::string make_block(std::mt19937& random) {
  std::array<char, 300> lines{};
  std::snprintf(lines.data(), lines.size(),
                "0.0.0(00SKERRY1)\r\nF.F(00)\r\n1.8.0(%06u.345*kWh)\r\n1.7.0(%02u.230*kW)\r\n32.7.0(230.1*V)\r\n"
                "1.8.0*01(000100.0*kWh)\r\n!\r\n\x03",
                static_cast<unsigned>(random() % 100'000), static_cast<unsigned>(random() % 50));
  const std::string inside = lines.data();
  char sum = 0;
  for (const char c : inside) sum = static_cast<char>(sum ^ c);
  return "\x02" + inside + sum;
}

void bench_read_outs() {
  volatile double kept = 0.0;
  std::mt19937 random(3);
  std::string p1;
  std::string blocks;
  for (std::size_t i = 0; i < telegrams; ++i) {
    p1 += make_telegram(random);
    blocks += make_block(random);
  }
  const auto ours = [&](const ProtocolSettings& protocol, const std::string& text) {
    const MeterProfile profile = read_out_profile(protocol);
    const auto bytes = std::as_bytes(std::span(text.data(), text.size()));
    return speed(text.size(), [&] { require(decode(profile, bytes) == telegrams, "readings"); });
  };
  std::printf("Read-outs: %zu telegrams and data blocks, three values each\n", telegrams);
  line("  dsmr-p1", ours(DsmrP1Settings(), p1), "bitwise check and strtod behind every bracket, no names",
       speed(p1.size(), [&] { kept = kept + plain_arc(p1) + peer_brackets(p1); }));
  line("  iec62056-21", ours(Iec62056Settings(), blocks), "strtod behind every bracket, no names, no check",
       speed(blocks.size(), [&] { kept = kept + peer_brackets(blocks); }));
}

void bench_answers() {
  volatile double kept = 0.0;
  MeterProfile profile;
  profile.protocol = ScpiSettings();
  for (int column = 1; column <= 3; ++column) {
    ReadSpec read;
    read.quantity = column == 1 ? Quantity::power : column == 2 ? Quantity::voltage : Quantity::current;
    read.query = "MEAS:ALL?";
    read.column = column;
    profile.reads.push_back(read);
  }
  const std::string scpi = make_text([](char* to, std::size_t size, std::size_t, double v, double i, double p) {
    return std::snprintf(to, size, "%+.5E,%+.5E,%+.5E\n", p, v, i);
  });
  std::printf("Answers of instruments: %zu lines of three numbers\n", text_lines);
  line("  scpi",
       speed(scpi.size(),
             [&] {
               require(decode(profile, std::as_bytes(std::span(scpi.data(), scpi.size()))) == text_lines, "readings");
             }),
       "sscanf(\"%lf,%lf,%lf\") of the same lines", speed(scpi.size(), [&] {
         for_lines(scpi, [&](const char* text, std::size_t) {
           double v = 0.0, i = 0.0, p = 0.0;
           require(std::sscanf(text, "%lf,%lf,%lf", &p, &v, &i) == 3, "sscanf");
           kept = kept + p;
         });
       }));
}

}  // namespace

int main() {
  std::printf(
      "Decoders, bytes in to readings with exact decimals out; per second of processor time, best of %d runs;\n"
      "beside each its peer of this run.\n",
      rounds);
  bench_modbus();
  bench_modbus_tcp();
  bench_sunspec();
  bench_pulses();
  bench_text();
  bench_sml();
  bench_read_outs();
  bench_answers();
  return bench::print_loop_times(NIGHTWATT_PROFILES) ? 0 : 1;
}
