#include "base/markup.h"

#include <catch2/catch.hpp>

using namespace probekeeper;

TEST_CASE("text in HTML and XML cannot leave the place where it stands", "[base]") {
    CHECK(escaped_markup("Tank 1 & \"2\" <b>it's</b>") == "Tank 1 &amp; &quot;2&quot; &lt;b&gt;it&#39;s&lt;/b&gt;");
    CHECK(escaped_markup("a\tb\nc") == "a\tb\nc");
    CHECK(escaped_markup(std::string_view{"a\0b\x1b[c", 6}) == "ab[c");
    CHECK(escaped_markup("Gr\xc3\xb6\xc3\x9f\x65") == "Gr\xc3\xb6\xc3\x9f\x65");
}
