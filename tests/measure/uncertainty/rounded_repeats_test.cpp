// How often a display that rounds repeats itself before slow noise.
#include "uncertainty/rounded_repeats.hpp"

#include <catch2/catch.hpp>
#include <cmath>

using namespace nightwatt;

TEST_CASE("half way between two counts repeats and single readings follow the orthant probabilities of normal noise") {
  // Two normal values of correlation r have one sign with 1/2 + asin(r)/pi (Sheppard 1899); three in a row, r and r^2
  // apart, have alternating signs with 1/4 - (2 asin(r) - asin(r^2)) / (2 pi) (David 1953; both from memory).
  for (const double r : {0.0, 0.3, 0.8, 0.95}) {
    const Repeats found = repeats_of({0.5, 0.2, r}, 2);
    CAPTURE(r);
    CHECK(found.equal == Approx(0.5 + std::asin(r) / M_PI).margin(0.005));
    CHECK(found.singles == Approx(0.25 - (2.0 * std::asin(r) - std::asin(r * r)) / (2.0 * M_PI)).margin(0.005));
  }
}

TEST_CASE("the correlation is found from how often neighbours are alike, and none where nothing makes them so") {
  const RoundedNoise noise{1.3, 0.6};
  for (const double r : {0.2, 0.7, 0.97}) {
    RoundedNoise slow = noise;
    slow.correlation = r;
    const auto found = correlation_of(noise, 4, repeats_of(slow, 4).equal);
    REQUIRE(found);
    CHECK(*found == Approx(r).margin(0.002));
  }
  CHECK_FALSE(correlation_of(noise, 4, 0.1));
  CHECK_FALSE(correlation_of(noise, 4, 1.0));
}
