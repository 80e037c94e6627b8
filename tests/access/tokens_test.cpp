#include <sys/stat.h>

#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>
#include <set>

#include "access/secret.h"
#include "access/tokens.h"

using namespace probekeeper;
using namespace probekeeper::access;

namespace {

struct Folder {
    std::filesystem::path path;
    Folder() {
        std::string name = std::filesystem::temp_directory_path() / "tokens-XXXXXX";
        path = ::mkdtemp(name.data());
    }
    ~Folder() { std::filesystem::remove_all(path); }
    std::filesystem::path file(std::string const& text) const {
        std::ofstream{path / "tokens"} << text;
        return path / "tokens";
    }
};

}  // namespace

TEST_CASE("the hash is SHA-256 as its standard publishes it", "[access]") {
    // FIPS 180-2, appendix B.1: the message "abc".
    CHECK(hash_of("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
}

TEST_CASE("every secret is another one, of 256 bits behind its prefix", "[access]") {
    std::set<std::string> met;
    for (int i = 0; i < 1000; ++i) {
        auto const secret = new_secret("pk_");
        CHECK(secret.size() == 3 + 43);
        met.insert(secret);
    }
    CHECK(met.size() == 1000);
}

TEST_CASE("a written token is found by its secret and by no other, and the file is its owner's alone",
          "[access]") {
    Folder const folder;
    auto const secret = new_secret("pk_"), other = new_secret("pk_");
    auto const at = parse_rfc3339("2026-03-01T06:00:00Z").value();
    auto const file = folder.path / "tokens";
    write_tokens(file, {{"panel", Role::read, hash_of(other), at, {}},
                        {"van-1", Role::operate, hash_of(secret), at, {"saltmarsh", "northworks"}}});
    struct stat status {};
    REQUIRE(::stat(file.c_str(), &status) == 0);
    CHECK((status.st_mode & 0777U) == 0600U);
    auto const read = read_tokens(file);
    CHECK(read.problems.empty());
    REQUIRE(read.tokens.size() == 2);
    auto const* found = find_token(read.tokens, secret);
    REQUIRE(found != nullptr);
    CHECK(found->name == "van-1");
    CHECK(found->role == Role::operate);
    CHECK(found->created == at);
    CHECK(found->sites == std::vector<std::string>{"saltmarsh", "northworks"});
    CHECK(find_token(read.tokens, secret + "A") == nullptr);
    CHECK(find_token(read.tokens, "") == nullptr);
    std::ifstream in{file};
    std::string const text{std::istreambuf_iterator<char>{in}, {}};
    CHECK(text.find(secret) == std::string::npos);
}

TEST_CASE("every wrong line of a token file is told by its number, and no message shows what stands there",
          "[access]") {
    Folder const folder;
    std::string const hash(64, 'a'), at = " 2026-03-01T06:00:00Z";
    auto const file = folder.file(
        "# a comment\n"
        "good read " +
        hash + at +
        "\n"
        "Bad! read " +
        hash + at +
        "\n"
        "b owner " +
        hash + at +
        "\n"
        "c read 1234" +
        at +
        "\n"
        "d read " +
        hash +
        " yesterday\n"
        "e read\n"
        "good admin " +
        hash + at +
        "\n"
        "f read " +
        hash + at + " Site_1\n");
    auto const read = read_tokens(file);
    CHECK(read.tokens.size() == 1);
    std::vector<int> lines;
    for (auto const& problem : read.problems) {
        lines.push_back(problem.line);
        CHECK(problem.message.find(hash) == std::string::npos);
    }
    CHECK(lines == std::vector<int>{3, 4, 5, 6, 7, 8, 9});
    CHECK(read_tokens(folder.path / "nothing").problems.at(0).line == 0);
}
