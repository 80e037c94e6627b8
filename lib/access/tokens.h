// Who may use the API: tokens with a role, perhaps limited to sites, and the file that keeps their hashes.
//
// The file has a line a token, blanks between its parts: NAME ROLE SHA256 CREATED [SITE,SITE...]. Lines that
// begin with # say nothing. It holds no token, only hashes, and yet must be its owner's alone: who can write
// it can let anybody in.
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/time.h"

namespace probekeeper::access {

// Each may what those before it may. `none`: what needs no token.
enum class Role : std::uint8_t {
    none,
    read,     // look at everything
    operate,  // and write: steps of tickets, records, readings
    admin     // and read the audit
};
[[nodiscard]] std::string_view to_word(Role role);
[[nodiscard]] std::optional<Role> role_of(std::string_view word);  // read, operate, admin

struct Token {
    std::string name;
    Role role = Role::read;
    std::string hash;  // of the secret, see secret.h
    Timestamp created{};
    std::vector<std::string> sites;  // empty: all
};

struct TokenProblem {
    int line = 0;  // 1-based; 0: the file as a whole
    std::string message;
};
struct Tokens {
    std::vector<Token> tokens;
    std::vector<TokenProblem> problems;
};

// Never throws: a file that cannot be read is a problem of line 0. No message shows a hash.
[[nodiscard]] Tokens read_tokens(std::filesystem::path const& file);
// Replaces the file in one step, readable by its owner alone. Throws std::runtime_error with a sentence.
void write_tokens(std::filesystem::path const& file, std::vector<Token> const& tokens);

// The token of that secret, or null. Looks at every token, whichever fits, so that the time tells nothing.
[[nodiscard]] Token const* find_token(std::vector<Token> const& tokens, std::string_view secret);

// 1 to 48 of a-z 0-9 - .
[[nodiscard]] bool fit_for_name(std::string_view name);

}  // namespace probekeeper::access
