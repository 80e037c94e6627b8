#include "api/errands.h"

#include "api/dispatch.h"

namespace probekeeper::api {

struct Errands::Running {
    Dispatcher dispatcher;
};

Errands::Errands(std::function<Timestamp()> now, Backend& backend, std::shared_ptr<spdlog::logger> log)
    : running_{std::unique_ptr<Running>{
          new Running{{"127.0.0.1", AccessRules{}, Limits{}, std::move(now), backend, std::move(log)}}}} {}

Errands::~Errands() = default;

Response Errands::run(Errand const& errand) {
    Head head;
    head.method = errand.method;
    head.target = errand.target;
    head.address = errand.caller.address;
    head.content_type = errand.content_type;
    head.idempotency_key = errand.key;
    auto admitted = running_->dispatcher.admit_errand(head, errand.caller);
    if (auto* const refused = std::get_if<Response>(&admitted)) {
        return std::move(*refused);
    }
    return running_->dispatcher.answer(std::get<Admitted>(admitted), head, errand.body);
}

}  // namespace probekeeper::api
