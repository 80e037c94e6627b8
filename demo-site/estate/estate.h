// The simulated estate: waters and probes of plan.h, moved through time by the physics. The same start and
// the same steps give the same readings, to the bit: the devices pick up where a history ended by living it
// again.
#pragma once

#include <vector>

#include "base/time.h"
#include "estate/plan.h"
#include "estate/visit.h"

namespace probekeeper::estate {

// What a device shows now, before its registers round it.
struct Shown {
    double do_mg_l = 0.0;
    double do_percent = 0.0;  // of saturation, here and now
    double temperature_c = 0.0;
    double salinity_psu = 0.0;
    double pressure_hpa = 0.0;
    double airflow_percent = 0.0;
    bool cleaning = false, aeration = false, hold = false;
};

class Estate {
public:
    // At `start` every water has an ordinary past; probes are as the technician will find them.
    explicit Estate(Timestamp start);

    // At most 10 s, see physics::Tank::step.
    void step(Millis dt);
    // On in steps of history_step, to the last of them that is not after `until`.
    static constexpr Millis history_step{5000};
    void live_through(Timestamp until);

    [[nodiscard]] Timestamp now() const { return now_; }
    [[nodiscard]] std::vector<ProbePlan> const& probes() const { return plan_.probes; }
    [[nodiscard]] Shown shown(std::size_t probe) const;
    // What technicians have done since this was last called, in order of time.
    [[nodiscard]] std::vector<Job> take_jobs();

private:
    struct LivingProbe {
        physics::Probe probe;
        physics::Transmitter transmitter;
        physics::Cleaner cleaner;
        Visit visit;
        Stage stage = Stage::before;
        bool cleaning = false;
        double dry_zero_as_left_mg_l = 0.0;  // noted in hand, written down when all is done
    };

    void step_tank(std::size_t tank, double dt_s);
    void step_probe(std::size_t index, double dt_s);
    void enter(std::size_t index, Stage stage);
    void wear(std::size_t index);
    [[nodiscard]] double days_since_start() const { return seconds_between(start_, now_) / 86'400.0; }
    [[nodiscard]] physics::WaterState const& water_of(std::size_t probe) const {
        return tanks_[plan_.probes[probe].tank].state();
    }

    Timestamp start_, now_;
    Plan plan_;
    std::vector<physics::Tank> tanks_;
    std::vector<LivingProbe> living_;
    std::vector<Job> jobs_;
    Timestamp next_wear_;
};

}  // namespace probekeeper::estate
