#include "daemon/text_rules.hpp"

#include <catch2/catch.hpp>
#include <string>

using namespace nightwatt;
using namespace nightwatt::daemon;

// Well-formed and ill-formed sequences as in the Unicode Standard, table 3-7 (well-formed UTF-8 byte sequences).
TEST_CASE("UTF-8 is taken as the Unicode Standard's table 3-7 has it") {
  for (const char* good : {"", "Gannet board", "\xC2\xA2", "\xDF\xBF", "\xE0\xA0\x80", "\xED\x9F\xBF", "\xEE\x80\x80",
                           "\xEF\xBF\xBF", "\xF0\x90\x80\x80", "\xF4\x8F\xBF\xBF"})
    CHECK(is_utf8(good));
  for (const char* bad : {"\x80", "\xC0\xAF", "\xC1\xBF", "\xC2", "\xC2\x41", "\xE0\x9F\x80", "\xED\xA0\x80",
                          "\xE2\x82", "\xF0\x8F\xBF\xBF", "\xF4\x90\x80\x80", "\xF5\x80\x80\x80", "\xFF"})
    CHECK_FALSE(is_utf8(bad));
}

TEST_CASE("a device name of 256 bytes is kept, one of 257 or 100 kB is refused in one line") {
  CHECK(check_name("device name", std::string(256, 'x')));
  for (const std::size_t size : {std::size_t{257}, std::size_t{100'000}}) {
    const auto refused = check_name("device name", std::string(size, 'x'));
    REQUIRE_FALSE(refused);
    CHECK(refused.error().kind == ErrorKind::input);
    CHECK(refused.error().message.size() < 200);
    CHECK(refused.error().message.find('\n') == std::string::npos);
  }
}

TEST_CASE("a name that is empty, holds a control character or is not UTF-8 is refused") {
  using namespace std::string_literals;
  for (const std::string& bad :
       {""s, "a\nb"s, "a\tb"s, "a\0b"s, "\x1B[31m"s, "\x7F"s, "\xC2\x85"s, "\xE2\x80\xA8"s, "\xFF"s})
    CHECK_FALSE(check_name("device name", bad));
  CHECK(check_name("device name", "Gr\xC3\xBC\xC3\x9F \xF0\x9F\x90\xA6 #2"));
}
