#include "measure/signal/fnv1a.hpp"

#include <catch2/catch.hpp>

using nightwatt::Fnv1a;

// Values: the test vectors that the authors of FNV publish (FNV-1a, 64 bits), from memory.
TEST_CASE("FNV-1a gives its authors' values, in one go or in pieces") {
  CHECK(Fnv1a().value() == 0xCBF29CE484222325);
  Fnv1a a;
  a.add('a');
  CHECK(a.value() == 0xAF63DC4C8601EC8C);
  Fnv1a foo;
  foo.add("foo");
  Fnv1a foobar(foo.value());
  foobar.add("bar");
  CHECK(foobar.value() == 0x85944171F73967E8);
}
