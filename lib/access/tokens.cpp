#include "access/tokens.h"

#include <fcntl.h>
#include <spdlog/fmt/fmt.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <fstream>
#include <sstream>
#include <stdexcept>
#include <system_error>

#include "access/secret.h"

namespace probekeeper::access {
namespace {

constexpr std::array<std::string_view, 4> role_words{"none", "read", "operate", "admin"};
static_assert(static_cast<std::size_t>(Role::admin) + 1 == role_words.size());

bool all_of_class(std::string_view text, std::string_view allowed) {
    return text.find_first_not_of(allowed) == std::string_view::npos;
}

std::vector<std::string> parts_of(std::string const& text, char between) {
    std::vector<std::string> parts;
    std::istringstream in{text};
    for (std::string part; std::getline(in, part, between);) {
        if (!part.empty()) {
            parts.push_back(part);
        }
    }
    return parts;
}

// Why the line is no token; empty where it is one.
std::string parse(std::string const& line, Token& token) {
    auto const parts = parts_of(line, ' ');
    if (parts.size() < 4 || parts.size() > 5) {
        return "a token has NAME ROLE SHA256 CREATED and perhaps sites, with blanks between";
    }
    auto const role = role_of(parts[1]);
    auto const created = parse_rfc3339(parts[3]);
    if (!fit_for_name(parts[0])) {
        return "the name must be 1 to 48 of a-z, 0-9 and -";
    }
    if (!role) {
        return "the role must be read, operate or admin";
    }
    if (parts[2].size() != 64 || !all_of_class(parts[2], "0123456789abcdef")) {
        return "the third part must be the token's SHA-256 in 64 hex digits; `token add` writes it";
    }
    if (!created) {
        return "the fourth part must be an RFC 3339 time such as 2026-03-01T06:00:00Z";
    }
    token = {parts[0], *role, parts[2], *created, {}};
    if (parts.size() == 5) {
        token.sites = parts_of(parts[4], ',');
        if (!std::all_of(token.sites.begin(), token.sites.end(), fit_for_name)) {
            return "the sites must be ids with commas between";
        }
    }
    return {};
}

[[noreturn]] void cannot_write(std::filesystem::path const& file) {
    throw std::runtime_error{
        fmt::format("{} cannot be written: {}", file.string(), std::generic_category().message(errno))};
}

std::string text_of(std::vector<Token> const& tokens) {
    std::string text =
        "# Tokens of the API: name, role, SHA-256, created, sites. Kept by `probekeeperd token`.\n";
    for (auto const& token : tokens) {
        text += fmt::format("{} {} {} {}", token.name, to_word(token.role), token.hash,
                            to_rfc3339(token.created));
        if (!token.sites.empty()) {
            text += fmt::format(" {}", fmt::join(token.sites, ","));
        }
        text += '\n';
    }
    return text;
}

}  // namespace

std::string_view to_word(Role role) {
    return role_words[static_cast<std::size_t>(role)];
}

std::optional<Role> role_of(std::string_view word) {
    for (auto const role : {Role::read, Role::operate, Role::admin}) {
        if (to_word(role) == word) {
            return role;
        }
    }
    return std::nullopt;
}

bool fit_for_name(std::string_view name) {
    return !name.empty() && name.size() <= 48 && all_of_class(name, "abcdefghijklmnopqrstuvwxyz0123456789-");
}

Tokens read_tokens(std::filesystem::path const& file) {
    Tokens out;
    std::ifstream in{file};
    if (!in) {
        out.problems.push_back({0, "the file of tokens cannot be read"});
        return out;
    }
    int number = 0;
    for (std::string line; std::getline(in, line);) {
        ++number;
        if (line.empty() || line.front() == '#') {
            continue;
        }
        Token token;
        auto wrong = parse(line, token);
        bool const twice = std::any_of(out.tokens.begin(), out.tokens.end(),
                                       [&](Token const& other) { return other.name == token.name; });
        if (wrong.empty() && twice) {
            wrong = fmt::format("the name {} stands twice", token.name);
        }
        if (wrong.empty()) {
            out.tokens.push_back(std::move(token));
        } else {
            out.problems.push_back({number, std::move(wrong)});
        }
    }
    return out;
}

void write_tokens(std::filesystem::path const& file, std::vector<Token> const& tokens) {
    auto beside = file;
    beside += ".new";
    ::unlink(beside.c_str());
    int const fd = ::open(beside.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, S_IRUSR | S_IWUSR);
    if (fd < 0) {
        cannot_write(beside);
    }
    auto const text = text_of(tokens);
    bool const written =
        ::write(fd, text.data(), text.size()) == static_cast<ssize_t>(text.size()) && ::fsync(fd) == 0;
    ::close(fd);
    if (!written || ::rename(beside.c_str(), file.c_str()) != 0) {
        cannot_write(file);
    }
}

Token const* find_token(std::vector<Token> const& tokens, std::string_view secret) {
    auto const hash = hash_of(secret);
    Token const* found = nullptr;
    for (auto const& token : tokens) {
        if (same_hash(token.hash, hash)) {
            found = &token;
        }
    }
    return found;
}

}  // namespace probekeeper::access
