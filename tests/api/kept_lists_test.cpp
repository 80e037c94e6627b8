#include <catch2/catch.hpp>

#include "access/secret.h"
#include "api/answer_cache.h"
#include "api/client.h"
#include "api/estate.h"

using namespace probekeeper;

namespace {

// An estate that tells how often it was asked, and whether its lists may have changed.
class Watched : public Estate {
public:
    std::atomic<std::uint64_t> version{0};
    std::atomic<int> asked{0};
    std::optional<api::DataVersion> version_of(api::Listed) const override {
        return api::DataVersion{1, version};
    }
    Answer<Page<document::Probe>> probes(api::ProbeFilter const& filter, PageRequest const& page) override {
        ++asked;
        return Estate::probes(filter, page);
    }
};

struct Kept {
    explicit Kept(api::AccessRules rules = {}) {
        api::Options options;
        options.access = std::move(rules);
        server = std::make_unique<api::Server>(std::move(options), estate,
                                               std::make_shared<spdlog::logger>("silent"));
    }
    Watched estate;
    std::unique_ptr<api::Server> server;
};

api::AnswerCache::Kept answer_of(std::size_t bytes, std::uint64_t version = 0) {
    return {{1, version}, std::make_shared<std::string const>(bytes, 'x'), "\"x\"", false};
}

}  // namespace

TEST_CASE("a list is made once for as long as nothing in it changes", "[api][kept]") {
    Kept kept;
    Client client{kept.server->port()};
    auto const first = client.get("/v1/probes");
    auto const second = client.get("/v1/probes");
    CHECK(first.status == 200);
    CHECK(second.status == 200);
    CHECK(second.body == first.body);
    CHECK(second.header("etag") == first.header("etag"));
    CHECK(second.header("content-type") == first.header("content-type"));
    CHECK(second.header("cache-control") == first.header("cache-control"));
    CHECK(second.header("content-length") == first.header("content-length"));
    CHECK(kept.estate.asked == 1);
    CHECK(client.get("/v1/probes", "If-None-Match: " + first.header("etag") + "\r\n").status == 304);
    CHECK(kept.estate.asked == 1);
    ++kept.estate.version;
    CHECK(client.get("/v1/probes").body == first.body);
    CHECK(kept.estate.asked == 2);
}

TEST_CASE("each question has an answer of its own, compressed and not", "[api][kept]") {
    Kept kept;
    Client client{kept.server->port()};
    auto const all = client.get("/v1/probes");
    auto const one = client.get("/v1/probes?limit=1");
    CHECK(one.body.size() < all.body.size());
    CHECK(client.get("/v1/probes?limit=1").body == one.body);
    CHECK(client.get("/v1/probes?limit=1001").status == 400);
    auto const packed = client.get("/v1/probes", "Accept-Encoding: gzip\r\n");
    auto const again = client.get("/v1/probes", "Accept-Encoding: gzip\r\n");
    CHECK(again.header("content-encoding") == packed.header("content-encoding"));
    CHECK(again.header("etag") == packed.header("etag"));
    CHECK(again.body == packed.body);
    CHECK(client.get("/v1/probes", "Accept-Encoding: gzip\r\nIf-None-Match: " + all.header("etag") + "\r\n")
              .status == 304);
    CHECK(client.get("/v1/probes").body == all.body);
    CHECK(kept.estate.asked == 3);
}

TEST_CASE("a token that is limited to sites gets no answer made for another", "[api][kept]") {
    auto const everywhere = access::new_secret("pk_"), van = access::new_secret("pk_");
    api::AccessRules rules;
    rules.tokens_needed = true;
    rules.tokens = {{"all", access::Role::read, access::hash_of(everywhere), estate_time, {}},
                    {"van", access::Role::read, access::hash_of(van), estate_time, {"saltmarsh"}}};
    Kept kept{rules};
    Client client{kept.server->port()};
    auto const all = client.get("/v1/probes", "Authorization: Bearer " + everywhere + "\r\n");
    auto const some = client.get("/v1/probes", "Authorization: Bearer " + van + "\r\n");
    CHECK(all.status == 200);
    CHECK(some.status == 200);
    CHECK(some.body != all.body);
    CHECK(client.get("/v1/probes", "Authorization: Bearer " + everywhere + "\r\n").body == all.body);
    CHECK(client.get("/v1/probes").status == 401);
    CHECK(kept.estate.asked == 2);
}

TEST_CASE("kept answers have a bound, beyond which the oldest go", "[api][kept]") {
    api::AnswerCache cache;
    auto const half = api::AnswerCache::most_bytes / 2;
    cache.keep("a", answer_of(half));
    cache.keep("b", answer_of(half));
    CHECK(cache.find("a", {1, 0}));
    cache.keep("c", answer_of(1));
    CHECK_FALSE(cache.find("a", {1, 0}));
    CHECK(cache.find("b", {1, 0}));
    CHECK_FALSE(cache.find("b", {1, 1}));
    CHECK_FALSE(cache.find("b", {2, 0}));
    cache.keep("b", answer_of(half, 1));
    CHECK(cache.find("b", {1, 1}));
    CHECK(cache.find("c", {1, 0}));
    cache.keep("c", answer_of(2 * half + 1));
    CHECK_FALSE(cache.find("c", {1, 0}));
    CHECK(cache.find("b", {1, 1}));
}
