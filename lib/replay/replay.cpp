#include "replay/replay.h"

#include <spdlog/fmt/fmt.h>

#include <algorithm>
#include <cstring>
#include <memory>
#include <span>

#include "diagnosis/site.h"
#include "document/diagnosis.h"
#include "document/write.h"
#include "intake/cells.h"
#include "intake/readings_csv.h"
#include "intake/service_csv.h"
#include "pipeline/setup_of.h"
#include "pipeline/site_pipeline.h"
#include "replay/outputs.h"
#include "replay/recording.h"
#include "service/questions.h"

namespace probekeeper::replay {
namespace {

constexpr std::uint64_t rows_between_progress = 100'000;

// Takes results of all sites: counts them, and hands to the store what is to be kept.
class Results : public pipeline::Sink {
public:
    Results(fleet::Fleet const& fleet, Recording* recording, Summary& summary)
        : fleet_{fleet}, recording_{recording}, summary_{summary} {}

    void tested(fleet::ProbeIndex probe, diagnosis::ResponseTest const& test) override {
        ++summary_.response_tests;
        summary_.response_tests_used += test.used ? 1U : 0U;
        if (recording_ != nullptr) {
            recording_->add(store::ProbeTest{fleet_.probes[probe].id, test});
        }
    }
    void weighed(fleet::ProbeIndex probe, diagnosis::Diagnosis const& diagnosis, bool changed) override {
        if (recording_ != nullptr && changed) {
            keep(probe, diagnosis);
        }
    }
    void service_changed(fleet::ProbeIndex probe, diagnosis::ServiceChange const& change) override {
        seen_[probe].push_back(change);
        if (recording_ != nullptr) {
            recording_->add(store::ProbeServiceChange{fleet_.probes[probe].id, change});
        }
    }
    void ticket(service::Ticket const&) override {}  // taken from the books at the end, as they stand then

    void keep(fleet::ProbeIndex probe, diagnosis::Diagnosis const& diagnosis) {
        auto const& id = fleet_.probes[probe].id;
        recording_->add(store::ProbeDiagnosis{id, diagnosis.at, diagnosis.condition,
                                              document::write(document::to_json(diagnosis, id)), true});
    }

    // Of the probes of a site, by id.
    [[nodiscard]] service::ServiceChanges seen_at(fleet::SiteIndex site) const {
        service::ServiceChanges seen;
        for (auto const& [probe, changes] : seen_) {
            if (fleet_.probes[probe].site == site) {
                seen[fleet_.probes[probe].id] = changes;
            }
        }
        return seen;
    }

private:
    fleet::Fleet const& fleet_;
    Recording* recording_;
    Summary& summary_;
    std::map<fleet::ProbeIndex, std::vector<diagnosis::ServiceChange>> seen_;
};

class Run {
public:
    Run(fleet::Fleet const& fleet, Request const& request, Watcher const& watcher)
        : fleet_{fleet}, request_{request}, watcher_{watcher} {
        if (request.store) {
            recording_.emplace(*request.store, fleet);
        }
        if (request.diagnosis) {
            make_folder(*request.diagnosis);
        }
        results_.emplace(fleet, recording_ ? &*recording_ : nullptr, summary_);
        for (fleet::SiteIndex site = 0; site < fleet.sites.size(); ++site) {
            auto const& id = fleet.sites[site].id;
            auto const next = recording_ ? recording_->next_ticket_number(id) : 1;
            pipelines_.push_back(std::make_unique<pipeline::SitePipeline>(
                fleet, site, service::TicketBook{id, next, {}}, *results_));
        }
        newest_.resize(fleet.sites.size());
    }

    Summary run() {
        read_records();
        read_readings();
        for (auto& pipeline : pipelines_) {
            if (summary_.last) {
                pipeline->advance(*summary_.last);
            }
        }
        ask_about_records();
        leave_results();
        if (folder_) {
            folder_->keep();
        }
        return summary_;
    }

private:
    void make_folder(std::filesystem::path const& folder) {
        try {
            folder_.emplace(folder);
        } catch (std::filesystem::filesystem_error const& error) {
            throw WrongUsage{
                fmt::format("{}: cannot be made a folder: {}", folder.string(), error.code().message())};
        }
    }

    [[nodiscard]] intake::CsvOptions csv_options(std::filesystem::path const& file) const {
        intake::CsvOptions options;
        options.max_bad_rows = request_.max_bad_rows;
        options.bad_row = [this, &file](intake::BadRow const& row) {
            if (watcher_.bad_row) {
                watcher_.bad_row(file, row);
            }
        };
        return options;
    }

    void read_records() {
        if (!request_.service) {
            return;
        }
        rows_ = intake::read_service_rows(intake::opened(*request_.service), fleet_,
                                          csv_options(*request_.service));
        std::vector<service::KeptRecord> kept;
        for (auto const& row : rows_) {
            kept.push_back({static_cast<std::int64_t>(row.line), row.record, {}, {}, {}});
        }
        instruments_.emplace(pipeline::configured_serials(fleet_), kept);
        for (fleet::SiteIndex site = 0; site < pipelines_.size(); ++site) {
            std::vector<service::KeptRecord> of_site;
            std::copy_if(kept.begin(), kept.end(), std::back_inserter(of_site),
                         [&](service::KeptRecord const& k) {
                             return fleet_.probes[*fleet_.find_probe(k.record.probe)].site == site;
                         });
            pipelines_[site]->know(*instruments_);
            pipelines_[site]->know_records(std::move(of_site));
        }
        for (auto const& [line, record] : rows_) {
            auto const site = fleet_.probes[*fleet_.find_probe(record.probe)].site;
            // Nothing has been read yet, so no record can come too late.
            static_cast<void>(pipelines_[site]->record(record));
            if (recording_) {
                recording_->add(record);
            }
            ++summary_.records;
        }
    }

    // With all records and all handling known: who was where shows only afterwards.
    void ask_about_records() {
        std::map<fleet::SiteIndex, std::vector<service::Record const*>> of_site;
        for (auto const& [line, record] : rows_) {
            of_site[fleet_.probes[*fleet_.find_probe(record.probe)].site].push_back(&record);
        }
        std::map<fleet::SiteIndex, service::ServiceChanges> seen;
        for (auto const& [site, records] : of_site) {
            seen[site] = results_->seen_at(site);
        }
        for (auto const& [line, record] : rows_) {
            auto const site = fleet_.probes[*fleet_.find_probe(record.probe)].site;
            auto const around = service::around(record, of_site[site], seen[site],
                                                instruments_->serial_at(record.probe, record.time));
            for (auto& question : service::questions_about(record, around)) {
                summary_.questions.push_back({line, std::move(question)});
            }
        }
    }

    void read_readings() {
        intake::ReadingsCsv csv{request_.readings, fleet_, csv_options(request_.readings)};
        std::uint64_t taken = 0;
        while (auto const row = csv.next()) {
            auto const site = fleet_.probes[row->probe].site;
            if (recording_) {
                checkpoint_at_day(site, row->reading.time);
                recording_->add(row->probe, row->reading);
            }
            pipelines_[site]->take(row->probe, row->reading);
            summary_.first = summary_.first ? summary_.first : row->reading.time;
            summary_.last = row->reading.time;
            if (++taken % rows_between_progress == 0) {
                tell_progress(csv, taken);
            }
        }
        tell_progress(csv, taken);
        auto const counts = csv.counts();
        summary_.rows = counts.rows;
        summary_.repeated = counts.repeated;
        summary_.bad = counts.bad;
    }

    void tell_progress(intake::ReadingsCsv const& csv, std::uint64_t taken) const {
        if (watcher_.progress) {
            watcher_.progress(
                {csv.bytes_read(), csv.bytes_total(), taken, summary_.last.value_or(Timestamp{})});
        }
    }

    // One checkpoint a day, so that a service record that comes late need not begin from the first reading.
    // It is taken before the first reading of the next day: then all readings up to its position are in it,
    // whatever number of probes shares that position.
    void checkpoint_at_day(fleet::SiteIndex site, Timestamp time) {
        using std::chrono::floor;
        auto& newest = newest_[site];
        if (newest && floor<std::chrono::days>(*newest) != floor<std::chrono::days>(time)) {
            checkpoint(site, *newest);
        }
        newest = time;
    }

    void checkpoint(fleet::SiteIndex site, Timestamp position) {
        auto const bytes = pipelines_[site]->checkpoint();
        auto const raw = std::as_bytes(std::span{bytes});
        recording_->add(store::Checkpoint{fleet_.sites[site].id,
                                          position,
                                          std::to_string(diagnosis::algorithm_version),
                                          {raw.begin(), raw.end()}});
    }

    void leave_results() {
        std::vector<service::Ticket> tickets;
        for (fleet::SiteIndex site = 0; site < pipelines_.size(); ++site) {
            for (auto const& [number, ticket] : pipelines_[site]->book().tickets()) {
                count(ticket);
                tickets.push_back(ticket);
            }
            for (auto const probe : pipelines_[site]->probes()) {
                leave_diagnosis(site, probe);
            }
        }
        if (recording_) {
            for (fleet::SiteIndex site = 0; summary_.last && site < pipelines_.size(); ++site) {
                checkpoint(site, *summary_.last);
            }
            for (auto const& ticket : tickets) {
                recording_->add(ticket);
            }
            recording_->finish();
        }
        if (request_.tickets) {
            write_tickets(*request_.tickets, std::move(tickets));
        }
    }

    void leave_diagnosis(fleet::SiteIndex site, fleet::ProbeIndex probe) {
        auto const diagnosis = pipelines_[site]->verdict(probe);
        if (recording_) {
            results_->keep(probe, diagnosis);
        }
        if (request_.diagnosis) {
            auto const& id = fleet_.probes[probe].id;
            write_file(*request_.diagnosis / (id + ".json"),
                       document::write(document::to_json(diagnosis, id)) + "\n");
        }
    }

    void count(service::Ticket const& ticket) {
        ++summary_.tickets;
        summary_.tickets_unfinished += service::is_finished(ticket.state) ? 0U : 1U;
        for (auto const& reason : ticket.reasons) {
            ++summary_.reasons[reason.finding.reason];
        }
    }

    fleet::Fleet const& fleet_;
    Request const& request_;
    Watcher const& watcher_;
    Summary summary_;
    std::optional<Recording> recording_;
    std::optional<OutputFolder> folder_;
    std::optional<Results> results_;
    std::vector<std::unique_ptr<pipeline::SitePipeline>> pipelines_;
    std::vector<std::optional<Timestamp>> newest_;  // reading of each site; kept with a store only
    std::vector<intake::ServiceRow> rows_;          // of the service file
    std::optional<service::Instruments> instruments_;
};

}  // namespace

Summary run(fleet::Fleet const& fleet, Request const& request, Watcher const& watcher) {
    return Run{fleet, request, watcher}.run();
}

}  // namespace probekeeper::replay
