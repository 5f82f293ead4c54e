// Text from outside, made safe and measured in columns.
#include <catch2/catch.hpp>

#include "text/printable.hpp"
#include "text/width.hpp"

using namespace nightwatt;
using namespace nightwatt::text;

TEST_CASE("an escape sequence in a name is shown, never sent to the terminal") {
  CHECK(printable("Gannet\x1b[2J board") == "Gannet\\x1b[2J board");
  CHECK(printable("a\r\nb\tc") == "a\\x0d\\x0ab\\x09c");
  CHECK(printable("\xC2\x9b"
                  "31m") == "\\xc2\\x9b31m");  // CSI as one C1 character
  CHECK(printable("\xE2\x80\xAE"
                  "draob") == "\\u202edraob");  // right-to-left override
  CHECK(printable("Möwe 鴎 ±") == "Möwe 鴎 ±");
}

// The Unicode Standard 15.0, section 3.9, table 3-7 and the examples of ill-formed sequences below it.
TEST_CASE("ill-formed UTF-8 is shown byte for byte") {
  CHECK(printable("\xC0\xAF") == "\\xc0\\xaf");
  CHECK(printable("\xE0\x9F\x80") == "\\xe0\\x9f\\x80");
  CHECK(printable("\xED\xA0\x80") == "\\xed\\xa0\\x80");
  CHECK(printable("\xF4\x90\x80\x80") == "\\xf4\\x90\\x80\\x80");
  CHECK(printable("ok\xE2\x82") == "ok\\xe2\\x82");
  CHECK(printable("\xF0\x9F\x94\x8B") == "\xF0\x9F\x94\x8B");
}

TEST_CASE("a quoted text is short however long the text is") {
  CHECK(quoted("Skua tower") == "\"Skua tower\"");
  CHECK(quoted(std::string(100'000, 'x')).size() < 60);
}

TEST_CASE("a name that is empty, too long or holds a control character is refused") {
  CHECK(check_text("the device name", "Puffin mini", name_limit));
  CHECK(check_text("the device name", std::string(256, 'x'), name_limit));
  for (const std::string& bad : {std::string(), std::string("  "), std::string(257, 'x'), std::string(100'000, 'x'),
                                 std::string("a\nb"), std::string("a\0b", 3), std::string("\x1b[31m"),
                                 std::string("\x7f"), std::string("\xff\xfe"), std::string("\xE2\x80\xAE")}) {
    const auto checked = check_text("the device name", bad, name_limit);
    REQUIRE_FALSE(checked);
    CHECK(checked.error().kind == ErrorKind::input);
    CHECK(checked.error().message.find("the device name") == 0);
    CHECK(checked.error().message.size() < 200);
    CHECK(checked.error().message.find('\n') == std::string::npos);
  }
}

// Unicode 15.0, EastAsianWidth.txt: U+9D0E and U+1F50B are W, U+00F6 and U+00B1 are narrow here, U+0308 is combining.
TEST_CASE("width is counted in columns, not in bytes") {
  CHECK(display_width("25.02 ± 0.21 W") == 14);
  CHECK(display_width("Möwe") == 4);
  CHECK(display_width("Mo\xCC\x88we") == 4);
  CHECK(display_width("鴎") == 2);
  CHECK(display_width("\xF0\x9F\x94\x8B") == 2);
  CHECK(pad_right("Möwe", 6) == "Möwe  ");
  CHECK(pad_left("鴎", 4) == "  鴎");
  CHECK(cut_to("Fulmar display", 7) == "Fulmar…");
  CHECK(cut_to("鴎鴎鴎", 4) == "鴎…");
  CHECK(cut_to("Fulmar", 6) == "Fulmar");
}
