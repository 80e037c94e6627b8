#include "live/tell.h"

#include <boost/json/object.hpp>

#include "document/diagnosis.h"
#include "document/write.h"

namespace probekeeper::live {

namespace json = boost::json;

std::string condition_event(std::string const& probe, diagnosis::Condition condition, Timestamp at) {
    return document::write(json::object{{"probe", probe},
                                        {"condition", diagnosis::to_word(condition)},
                                        {"ne107", document::ne107(condition)},
                                        {"at", to_rfc3339(at)}});
}

std::string line_event(std::string const& line, bool up, fieldbus::Fault fault, Timestamp at) {
    json::object out{
        {"line", line}, {"state", up ? "up" : "down"}, {"fault", nullptr}, {"at", to_rfc3339(at)}};
    if (!up) {
        out["fault"] = fieldbus::to_word(fault);
    }
    return document::write(out);
}

}  // namespace probekeeper::live
