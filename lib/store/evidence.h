// What diagnosis found: response tests, diagnoses, checkpoints. Private to this room; writing functions run
// inside a transaction of the caller's.
#pragma once

#include "store/sqlite.h"
#include "store/values.h"

namespace probekeeper::store {

void save_test(Database& db, ProbeTest const& test);
void save_diagnosis(Database& db, ProbeDiagnosis const& diagnosis);
void save_service_change(Database& db, ProbeServiceChange const& change);
// Also thins the site's older checkpoints to the last of each UTC day, for 40 days.
void save_checkpoint(Database& db, Checkpoint const& checkpoint);
void rewind(Database& db, Rewind const& rewind);
// Deletes tests and diagnosis history of `probe` before `before`: few rows, so all at once.
void expire_evidence(Database& db, ProbeKey probe, Timestamp before);

[[nodiscard]] Page<diagnosis::ResponseTest> read_tests(Database& db, std::string const& probe, Timestamp from,
                                                       PageRequest const& page);
[[nodiscard]] std::optional<diagnosis::ResponseTest> read_test(Database& db, std::string const& probe,
                                                               Timestamp at, std::string const& source);
[[nodiscard]] Page<ProbeDiagnosis> read_diagnoses(Database& db, std::string const& probe, Timestamp from,
                                                  Timestamp until, PageRequest const& page);
// In order; begins with the one that is in effect at `from`, if there is one.
[[nodiscard]] std::vector<diagnosis::ServiceChange> read_service_changes(Database& db,
                                                                         std::string const& probe,
                                                                         Timestamp from, Timestamp until);
[[nodiscard]] std::optional<ProbeDiagnosis> read_newest_diagnosis(Database& db, std::string const& probe);
[[nodiscard]] std::vector<ProbeDiagnosis> read_newest_diagnoses(Database& db);
[[nodiscard]] std::optional<Checkpoint> read_checkpoint(Database& db, std::string const& site,
                                                        std::string const& algorithm, Timestamp at_or_before);

}  // namespace probekeeper::store
