// A whole HTTP request: read by the parser and within the limits of a session, then admitted, answered and
// finished. Targets, query strings, every header, and bodies that are not JSON.
#include <boost/asio/buffer.hpp>
#include <boost/beast/http/parser.hpp>
#include <boost/beast/http/string_body.hpp>

#include "access/secret.h"
#include "api/read_head.h"
#include "fuzz/api.h"

using namespace probekeeper;
namespace http = boost::beast::http;

namespace {

// Tokens that the input may know: none needed; or one for all, and one that is limited to a site.
api::AccessRules rules(bool tokens_needed) {
    api::AccessRules access;
    access.allow_origins = {"https://panel.example"};
    access.behind_proxy = tokens_needed;
    access.tokens_needed = tokens_needed;
    access.tokens = {{"all", access::Role::admin, access::hash_of("a"), estate_time, {}},
                     {"one", access::Role::operate, access::hash_of("b"), estate_time, {"saltmarsh"}}};
    return access;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(std::uint8_t const* data, std::size_t size) {
    if (size == 0) {
        return 0;
    }
    api::Limits const limits;
    http::request_parser<http::string_body> parser;
    parser.header_limit(static_cast<std::uint32_t>(limits.header_bytes));
    parser.body_limit(limits.body_bytes);
    parser.eager(true);
    boost::system::error_code error;
    parser.put(boost::asio::buffer(data + 1, size - 1), error);
    if (error || !parser.is_header_done()) {
        return 0;
    }
    auto head = api::head_of(parser.get().base());
    head.address = "127.0.0.1";
    fuzz::Api api{rules(data[0] % 2 == 1)};
    static_cast<void>(api.respond(head, parser.get().body()));
    return 0;
}
