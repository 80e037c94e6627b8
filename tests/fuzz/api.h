// Requests through the real dispatcher, over the estate in memory that the tests of the API have, and what
// must hold of every response.
#pragma once

#include <spdlog/sinks/null_sink.h>

#include <boost/json/parse.hpp>

#include "api/dispatch.h"
#include "api/estate.h"
#include "fuzz/fuzz.h"

namespace probekeeper::fuzz {

class Api {
public:
    explicit Api(api::AccessRules access = {})
        : dispatcher_{"127.0.0.1", std::move(access), api::Limits{}, [] { return estate_time; }, estate_,
                      log()} {}

    // As a session answers a request that is not an upload or a stream of events.
    api::Response respond(api::Head const& head, std::string const& body) {
        auto admitted = dispatcher_.admit(head);
        if (auto* refused = std::get_if<api::Response>(&admitted)) {
            return checked(std::move(*refused), head);
        }
        auto const& request = std::get<api::Admitted>(admitted);
        if (request.route->where == api::Where::events || request.route->where == api::Where::upload) {
            return {};
        }
        return checked(dispatcher_.answer(request, head, body), head);
    }

private:
    static std::shared_ptr<spdlog::logger> log() {
        static auto const quiet =
            std::make_shared<spdlog::logger>("fuzz", std::make_shared<spdlog::sinks::null_sink_st>());
        return quiet;
    }
    api::Response checked(api::Response response, api::Head const& head) {
        require(response.status != 500, "no request is answered by 500");
        bool const is_json = response.content_type == "application/json" ||
                             response.content_type == "application/problem+json";
        if (is_json && !response.body.empty()) {
            boost::system::error_code error;
            auto const document = boost::json::parse(response.body, error);
            require(!error && document.is_object(), "an answer in JSON is one object, in UTF-8");
        }
        dispatcher_.finish(response, head);
        for (auto const& [name, value] : response.headers) {
            require(value.find_first_of("\r\n") == std::string::npos, "no header holds the end of a line");
        }
        return response;
    }

    Estate estate_;
    api::Dispatcher dispatcher_;
};

}  // namespace probekeeper::fuzz
