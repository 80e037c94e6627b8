#include "api/pack.h"

#include <zlib.h>

#include <algorithm>
#include <boost/beast/core/string.hpp>

#include "base/text.h"

namespace probekeeper::api {
namespace {

constexpr std::size_t least_bytes = 1400;
constexpr int gzip_window = 15 + 16;  // deflateInit2: 16 asks for the gzip header

std::string gzipped(std::string const& text) {
    z_stream stream{};
    // Level 1: fast; what is left to gain by more is small beside what text gives anyway.
    if (deflateInit2(&stream, 1, Z_DEFLATED, gzip_window, 8, Z_DEFAULT_STRATEGY) != Z_OK) {
        return {};
    }
    std::string out(deflateBound(&stream, static_cast<uLong>(text.size())), '\0');
    stream.next_in = reinterpret_cast<Bytef*>(const_cast<char*>(text.data()));  // zlib only reads there
    stream.avail_in = static_cast<uInt>(text.size());
    stream.next_out = reinterpret_cast<Bytef*>(out.data());
    stream.avail_out = static_cast<uInt>(out.size());
    int const done = deflate(&stream, Z_FINISH);
    out.resize(stream.total_out);
    deflateEnd(&stream);
    return done == Z_STREAM_END ? out : std::string{};
}

// "gzip;q=0" refuses it.
bool refuses(std::string_view parameters) {
    auto const q = parameters.find("q=");
    auto const weight =
        q == std::string_view::npos ? std::nullopt : parse_number(trimmed(parameters.substr(q + 2)));
    return weight && *weight <= 0.0;
}

}  // namespace

bool takes_gzip(std::string_view accept) {
    bool any = false;
    while (!accept.empty()) {
        auto const end = std::min(accept.find(','), accept.size());
        auto const one = accept.substr(0, end);
        auto const semicolon = std::min(one.find(';'), one.size());
        auto const coding = trimmed(one.substr(0, semicolon));
        bool const refused = refuses(one.substr(semicolon));
        if (boost::beast::iequals(coding, "gzip") || boost::beast::iequals(coding, "x-gzip")) {
            return !refused;
        }
        any = any || (coding == "*" && !refused);
        accept.remove_prefix(std::min(end + 1, accept.size()));
    }
    return any;
}

bool pack(Response& response, Head const& head) {
    if (response.body.size() < least_bytes || !head.accept_encoding || !takes_gzip(*head.accept_encoding)) {
        return false;
    }
    auto packed = gzipped(response.body);
    if (packed.empty() || packed.size() >= response.body.size()) {
        return false;
    }
    response.body = std::move(packed);
    response.headers.emplace_back("Content-Encoding", "gzip");
    return true;
}

}  // namespace probekeeper::api
