#include <catch2/catch.hpp>
#include <cmath>
#include <limits>

#include "measure/run/summary.hpp"

using nightwatt::Figure;
using nightwatt::figure_text;

TEST_CASE("a figure is rounded to two significant digits of its uncertainty") {
  // GUM (JCGM 100:2008) 7.2.6: 10.47 may become 11, 28.05 becomes 28, 10.05762 with 0.027 becomes 10.058.
  CHECK(figure_text({100.0, 10.47}, "") == "100 \u00b1 11");
  CHECK(figure_text({100.0, 28.05}, "") == "100 \u00b1 28");
  CHECK(figure_text({10.05762, 0.027}, "") == "10.058 \u00b1 0.027");
  CHECK(figure_text({25.0213, 0.2129}, "W") == "25.02 \u00b1 0.21 W");
  // NIST TN 1900 E2: 25.5909 with 1.8144 is given to one decimal.
  CHECK(figure_text({25.5909, 1.8144}, "\u00b0C") == "25.6 \u00b1 1.8 \u00b0C");
}

TEST_CASE("large, tiny and carried uncertainties keep two digits") {
  CHECK(figure_text({12345.6, 123.0}, "W") == "12350 \u00b1 120 W");
  CHECK(figure_text({12345.6, 1234.0}, "W") == "12300 \u00b1 1200 W");
  CHECK(figure_text({0.123456, 0.0000123}, "W") == "0.123456 \u00b1 0.000012 W");
  CHECK(figure_text({5.0, 0.996}, "W") == "5.0 \u00b1 1.0 W");
  CHECK(figure_text({5.0, 9.97}, "W") == "5 \u00b1 10 W");
  CHECK(figure_text({-0.001, 0.25}, "W") == "0.00 \u00b1 0.25 W");
  CHECK(figure_text({-25.3, 0.25}, "W") == "-25.30 \u00b1 0.25 W");
  CHECK(figure_text({1e15, 1.5e13}, "W") == "1000000000000000 \u00b1 15000000000000 W");
}

TEST_CASE("an uncertainty that is not known shows no interval rather than a zero one") {
  CHECK(figure_text({25.02, 0.0}, "W") == "25.02 W");
  CHECK(figure_text({25.02, std::numeric_limits<double>::quiet_NaN()}, "W") == "25.02 W");
  CHECK(figure_text({std::numeric_limits<double>::infinity(), 1.0}, "W") == "-");
}

// What is common to see on displays: whole watts, tenths, hundredths. That no class of active-power meters is finer
// than 0.1 % is IEC 62053-22:2020 (from memory); the digits that follow are reckoned by hand.
TEST_CASE("no digit is printed that neither the display nor a promise that nobody knows would bear") {
  const auto shown = [](double value, double uncertainty, double step_w, bool accuracy_known) {
    nightwatt::Figure figure{value, uncertainty};
    figure.finest = nightwatt::finest_digit(figure, {step_w, accuracy_known});
    return figure_text(figure, "W");
  };
  CHECK(shown(0.59966, 0.00081, 0.001, false) == "0.600 \u00b1 0.001 W");
  CHECK(shown(25.0213, 0.0021, 0.01, false) == "25.02 \u00b1 0.01 W");
  CHECK(shown(5.0056, 0.0144, 0.01, false) == "5.01 \u00b1 0.02 W");
  CHECK(shown(243.712, 0.03, 0.1, false) == "243.7 \u00b1 0.1 W");
  CHECK(shown(38.0, 0.57735, 1.0, false) == "38.0 \u00b1 0.6 W");       // entered from a display of whole watts
  CHECK(shown(38.0, 0.7303, 1.0, true) == "38.0 \u00b1 0.8 W");         // with 1 % + 0.05 W
  CHECK(shown(37.4123, 0.0214, 1.0, true) == "37.412 \u00b1 0.021 W");  // a counter made it surer than the display
  CHECK(shown(25.0213, 0.2129, 0.01, true) == "25.02 \u00b1 0.21 W");
  CHECK(shown(4.2, 0.056, 0.1, true) == "4.200 \u00b1 0.056 W");
  CHECK(shown(2010.0, 0.58, 1.0, false) == "2010 \u00b1 1 W");
  CHECK(shown(12345.6, 123.0, 1.0, false) == "12350 \u00b1 120 W");  // sure to tens: nothing to limit
  CHECK(shown(0.0, 0.002, 0.01, false) == "0.000 \u00b1 0.002 W");
}
