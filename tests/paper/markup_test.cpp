#include "paper/markup.h"

#include <catch2/catch.hpp>

using namespace probekeeper::paper;

TEST_CASE("nothing that a user wrote is markup, in text or in an attribute", "[paper]") {
    CHECK(escaped("<b onclick=\"x\">'&'</b>") ==
          "&lt;b onclick=&quot;x&quot;&gt;&#39;&amp;&#39;&lt;/b&gt;");
}

TEST_CASE("what is no UTF-8, and what nobody can see, does not reach a page", "[paper]") {
    CHECK(escaped("Fäßchen · 溶存") == "Fäßchen · 溶存");
    CHECK(escaped("a\xff" "b\xc3") == "a\xEF\xBF\xBD" "b\xEF\xBF\xBD");
    CHECK(escaped("\xed\xa0\x80") == "\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD");  // half of a pair
    CHECK(escaped("\xc0\xaf") == "\xEF\xBF\xBD\xEF\xBF\xBD");                      // a slash in disguise
    CHECK(escaped(std::string_view{"a\0b\x1b\x7f\tc", 8}) == "ab\tc");
}
