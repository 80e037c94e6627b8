#include "base/markup.h"

#include <catch2/catch.hpp>

using namespace probekeeper;

TEST_CASE("text in HTML and XML cannot leave the place where it stands", "[base]") {
    CHECK(escaped_markup("Tank 1 & \"2\" <b>it's</b>") ==
          "Tank 1 &amp; &quot;2&quot; &lt;b&gt;it&#39;s&lt;/b&gt;");
    CHECK(escaped_markup("a\tb\nc") == "a\tb\nc");
    CHECK(escaped_markup(std::string_view{"a\0b\x1b[c", 6}) == "ab[c");
    CHECK(escaped_markup("Gr\xc3\xb6\xc3\x9f\x65") == "Gr\xc3\xb6\xc3\x9f\x65");
}

TEST_CASE("what is no UTF-8, and what nobody can see, does not reach a page", "[base]") {
    CHECK(escaped_markup("Fäßchen · 溶存") == "Fäßchen · 溶存");
    CHECK(escaped_markup("a\xff"
                         "b\xc3") ==
          "a\xEF\xBF\xBD"
          "b\xEF\xBF\xBD");
    CHECK(escaped_markup("\xed\xa0\x80") == "\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD");  // half of a pair
    CHECK(escaped_markup("\xc0\xaf") == "\xEF\xBF\xBD\xEF\xBF\xBD");                  // a slash in disguise
    CHECK(escaped_markup(std::string_view{"a\0b\x1b\x7f\tc", 8}) == "ab\tc");
}
